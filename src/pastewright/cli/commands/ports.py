"""`pastewright ports`: what there is to send to."""


def ports() -> int:
    """List serial ports with what they are."""
    from pastewright.cli.exits import DONE
    from pastewright.cli.printing.runs import print_ports
    from pastewright.link.port import SIMULATED, known_ports

    print_ports(known_ports(), SIMULATED)
    return DONE
