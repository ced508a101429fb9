"""`pastewright advise`: which tip, barrel, gearing and powder suit a board."""

from pastewright.cli.options import ProfilePath, Reading, SideName, SideOption, Source


def advise(source: Source, *, profile: ProfilePath, side: SideOption = SideName.TOP, files: Reading) -> int:
    """Say which tips, barrel, gearing and powder suit a board."""
    from pastewright.cli.advising import advice_for
    from pastewright.cli.exits import DONE
    from pastewright.cli.printing.advice import print_advice
    from pastewright.cli.reading import load_board, load_profile

    bench = load_profile(profile)
    board = load_board(source, side=side.value, files=files, shrink_mm=bench.dose.shrink_mm)
    layout, advice = advice_for(board, bench, source=str(source))
    print_advice(board, layout, advice, bench)
    return DONE
