"""The bench in one file: machine, controller, plunger, barrel, tip, paste, rules and tuning."""
