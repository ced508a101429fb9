"""The order of deposits, and which end each bead starts from: least machine time."""
