"""`pastewright advise`: which tip, barrel, gearing and powder suit a board."""

from pastewright.work.options import Asking, ProfilePath, Source


def advise(source: Source, *, profile: ProfilePath, asked: Asking) -> int:
    """Say which tips, barrel, gearing and powder suit a board."""
    from pastewright.cli.advising import advice_for
    from pastewright.tolerance.changes import changes
    from pastewright.work.exits import DONE
    from pastewright.work.printing.advice import print_advice
    from pastewright.work.printing.console import stages
    from pastewright.work.reading import load_asked, load_profile

    with stages(("reading", "weighing", "changes")) as begin:
        begin("reading")
        bench = load_profile(profile)
        board, job = load_asked(source, asked, bench)
        begin("weighing")
        layout, advice = advice_for(board, bench, job, source=str(source))
        begin("changes")
        found = changes(layout.deposits, bench, advice)
    print_advice(board, layout, advice, bench, found)
    return DONE
