"""Moving by hand, as values: where the tip may go, one step a press, held motion, places by name, guided work.

Nothing here has a port, a clock or a screen: `link.hand` carries moves out, the command line and the page ask and show.
"""
