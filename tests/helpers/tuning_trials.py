"""A sheet laid on the virtual bench and measured, and what a board then gets; shared by tests, plots and measurements."""

from dataclasses import replace
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
from numpy.typing import NDArray
from rendered_photos import random_scene, render, through_jpeg
from virtual_bench import Laid, Truth, lay

from pastewright.board.ask import Ask
from pastewright.board.model import Board, Side
from pastewright.board.read import read_board
from pastewright.demo.board import write_demo
from pastewright.deposit.lay import lay as lay_out
from pastewright.dose.doses import dose_board
from pastewright.motion.plan import plan_motions
from pastewright.photo.file import Photo
from pastewright.problems import InputError
from pastewright.profile.examples import DEMO, example_text
from pastewright.profile.model import Profile
from pastewright.profile.read import parse_profile
from pastewright.route.order import order
from pastewright.tune.fit.constants import with_constants
from pastewright.tune.fit.fitted import Fitted
from pastewright.tune.photo.read import read_photos
from pastewright.tune.record.measurements import DotReading, DotState, Measurements, Weighed
from pastewright.tune.sheet.design import Designed, designed
from pastewright.tune.sheet.model import Sheet

# Standard error of a diameter read from a photo, where tests do without the photo: 4 µm of edge and 0.5 % of size.
EDGE_MM, OF_SIZE = 0.004, 0.005

# How often a photo may be taken, and what is added to its seed when it is refused.
PHOTOS, AGAIN = 3, 100_000


@cache
def demo_bench() -> Profile:
    return parse_profile(example_text(DEMO), "bench.toml")


@cache
def demo_board() -> Board:
    with TemporaryDirectory() as folder:
        write_demo(Path(folder), "x2")
        return read_board(Path(folder), Ask(side=Side.TOP, name="greenhouse logger"))


def measured(
    sheet: Sheet, laid: Laid, truth: Truth, rng: np.random.Generator, *, weighing: bool = False
) -> Measurements:
    """What a good photo would say of a sheet; with `weighing`, a scale of 1 % as well."""
    readings = []
    landed = 0.0
    for dot in sheet.dots:
        volume = laid.volume_ul.get(dot.index)
        if volume is None:
            readings.append(DotReading(index=dot.index, state=DotState.MISSING))
            continue
        landed += volume
        diameter = truth.dot_mm(volume)
        sigma = (EDGE_MM**2 + (OF_SIZE * diameter) ** 2) ** 0.5
        readings.append(
            DotReading(
                index=dot.index,
                state=DotState.MEASURED,
                diameter_mm=max(diameter + rng.normal(0.0, sigma), 0.02),
                sigma_mm=sigma,
                photos=1,
            )
        )
    count = sum(reading.state is DotState.MEASURED for reading in readings)
    density = truth.profile.paste.density_g_cm3
    mass = Weighed(dots=count, mass_mg=landed * density * (1 + rng.normal(0.0, 0.01))) if weighing else None
    return Measurements(sheet=sheet.name, readings=tuple(readings), photos=(), weighed=mass)


def photographed(
    sheet: Sheet,
    laid: Laid,
    truth: Truth,
    seed: int,
    *,
    background: str = "white paper",
    weighing: bool = False,
) -> Measurements:
    """What one photo of 12 megapixels says of a sheet: rendered with the dots that landed, and read.

    Where the reader refuses the photo another is taken, as a person would; its name then tells.
    """
    mass = weighed(sheet, laid, truth, seed) if weighing else None
    for again in range(PHOTOS):
        photo = photo_of(sheet, laid, truth, seed + again * AGAIN, background=background)
        try:
            return read_photos(sheet, [photo], mass)
        except InputError:
            if again == PHOTOS - 1:
                raise
    raise AssertionError("no photo was taken")


def taken_again(readings: Measurements) -> bool:
    """Whether the first photo was refused."""
    return int(readings.photos[0].name.split()[-1]) >= AGAIN


def photo_of(sheet: Sheet, laid: Laid, truth: Truth, seed: int, *, background: str = "white paper") -> Photo:
    """A photo as a person may take it, of the dots that landed: light, angle, sharpness and dirt by chance."""
    scene = random_scene(seed)
    dark = (background == "black mask") - (scene.background == "black mask")  # which is exposed longer
    scene = replace(
        scene,
        sheet=sheet,
        width_px=4000,
        height_px=3000,
        background=background,
        exposure=scene.exposure * 2.0**dark,
        shape_ratio=truth.dot_shape,
        missing=0,
        merged=0,
        volumes_ul=dict(laid.volume_ul),
    )
    picture, _ = render(scene)
    return Photo(name=f"photo {seed}", pixels=through_jpeg(picture, scene.jpeg))


def weighed(sheet: Sheet, laid: Laid, truth: Truth, seed: int) -> Weighed:
    """The mass of all dots on a scale of 1 %."""
    landed = [laid.volume_ul[dot.index] for dot in sheet.dots if dot.index in laid.volume_ul]
    error = np.random.default_rng([seed, 1]).normal(0.0, 0.01)
    mass_mg = sum(landed) * truth.profile.paste.density_g_cm3 * (1 + error)
    return Weighed(dots=len(landed), mass_mg=mass_mg)


def trial(
    profile: Profile,
    truth: Truth,
    rng: np.random.Generator,
    *,
    name: str = "sheet",
    tries: int = 4,
    weighing: bool = False,
) -> tuple[Designed, Laid, Measurements]:
    """Design a sheet for the profile, lay it on the bench as it is, and measure it."""
    made = demo_sheet(name, tries) if profile is demo_bench() else designed(profile, name=name, tries=tries)
    laid = lay(made.motions, truth, rng)
    return made, laid, measured(made.sheet, laid, truth, rng, weighing=weighing)


@cache
def demo_sheet(name: str, tries: int) -> Designed:
    """The demo bench's sheet, designed once for all who lay it."""
    return designed(demo_bench(), name=name, tries=tries)


def tuned(profile: Profile, fitted: Fitted) -> Profile:
    """The profile with what was fitted, but for what is of one sheet alone."""
    there = with_constants(profile, fitted.lasting)
    return replace(there, tuning=replace(there.tuning, dated="2025-03-14"))


def board_errors(profile: Profile, truth: Truth) -> NDArray[np.float64]:
    """The demo board planned with a profile and laid on the bench as it is: landed volume over dose, less one.

    Without the scatter of single dots, which no tuning can take away.
    """
    board = demo_board()
    doses = dose_board(board, profile.dose, profile.paste)
    layout = lay_out(
        board,
        doses.doses,
        tip=profile.tip,
        paste=profile.paste,
        tuning=profile.tuning,
        settings=profile.deposit,
    )
    tour = order(layout.deposits, start_mm=(0.0, 0.0), machine=profile.machine)
    laid = lay(plan_motions(layout, tour, profile), truth)
    return np.array(
        [laid.mean_ul.get(deposit.index, 0.0) / deposit.volume_ul - 1 for deposit in layout.deposits]
    )


def worst_of_95(errors: NDArray[np.float64]) -> float:
    """95th percentile of the errors' size [-]."""
    return float(np.quantile(np.abs(errors), 0.95))
