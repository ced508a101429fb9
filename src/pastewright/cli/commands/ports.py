"""`pastewright ports`: what there is to send to."""


def ports() -> int:
    """List serial ports with what they are."""
    from pastewright.link.port import SIMULATED, known_ports
    from pastewright.work.exits import DONE
    from pastewright.work.printing.runs import print_ports

    print_ports(known_ports(), SIMULATED)
    return DONE
