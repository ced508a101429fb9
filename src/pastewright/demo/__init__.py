"""The demo board, a soil-moisture logger for greenhouses, and its fabrication files in two flavours."""
