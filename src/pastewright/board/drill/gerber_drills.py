"""A drill layer written as a Gerber file (X2 .FileFunction Plated or NonPlated) to `DrillFile`."""

from pastewright.board.artwork import DrawnKind, Drill, DrillFile, Layer
from pastewright.problems import Problem, Severity


def drills_of_gerber(layer: Layer) -> DrillFile:
    """Return the flashes of `layer` as holes and its strokes as slots [mm, file].

    Shapes that are no round flash and no stroke are no drill holes; they are passed over with a warning.
    """
    function = layer.attributes.get("FileFunction", ("",))[0].lower()
    whole: bool | None = {"plated": True, "nonplated": False}.get(function)
    drills: list[Drill] = []
    passed: list[int] = []
    for thing in layer.objects:
        word = next(iter(thing.attributes.get("AperFunction", ())), "")
        plated = whole
        if thing.kind is DrawnKind.REGION or thing.width_mm <= 0.0 or not thing.dark:
            passed.append(thing.line)
            continue
        if whole is None and word:
            plated = None if word == "Other" else "mechanical" not in word.lower()
        if thing.kind is DrawnKind.FLASH:
            centre = thing.shape.centroid
            drills.append(
                Drill(
                    x_mm=centre.x, y_mm=centre.y, diameter_mm=thing.width_mm, line=thing.line, plated=plated
                )
            )
            continue
        for (x0, y0), end in zip(thing.path_mm, thing.path_mm[1:], strict=False):
            drills.append(
                Drill(
                    x_mm=x0,
                    y_mm=y0,
                    diameter_mm=thing.width_mm,
                    line=thing.line,
                    slot_to_mm=None if end == (x0, y0) else end,
                    plated=plated,
                )
            )
    problems = layer.problems
    if passed:
        what = f"{len(passed)} shapes are neither round flashes nor strokes, so they are no holes"
        problems += (Problem(what=what, severity=Severity.WARNING, file=layer.file, line=passed[0]),)
    kinds = {drill.plated for drill in drills}
    return DrillFile(
        file=layer.file,
        drills=tuple(drills),
        plated=kinds.pop() if len(kinds) == 1 else None if kinds else whole,
        attributes=layer.attributes,
        problems=problems,
    )
