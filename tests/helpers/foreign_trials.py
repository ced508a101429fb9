"""Sheets laid on foreign benches and read without a camera, and what boards planned with the fit then get there."""

from collections.abc import Sequence

import numpy as np
from foreign_bench import Foreign, Landed, lay_all, track
from tuning_trials import demo_board
from virtual_bench import Truth, truth_of

from pastewright.deposit.lay import lay as lay_out
from pastewright.dose.doses import dose_board
from pastewright.motion.model import Motions
from pastewright.motion.plan import plan_motions
from pastewright.profile.model import Profile
from pastewright.route.order import order
from pastewright.tune.record.measurements import DotReading, DotState, Measurements, Weighed
from pastewright.tune.sheet.design import Designed
from pastewright.tune.sheet.model import Sheet

# Standard error of a diameter read from a photo: 4 µm of edge and 0.5 % of size; of a kitchen-table scale [mg].
EDGE_MM, OF_SIZE = 0.004, 0.005
SCALE_MG = 10.0


def readings(sheet: Sheet, laid: Landed, bench: Foreign, rng: np.random.Generator) -> Measurements:
    """What a good photo would say of a sheet, each dot with its own scatter."""
    volumes = laid.scattered(bench.noise, rng)
    dots = []
    for dot in sheet.dots:
        volume = volumes.get(dot.index)
        if volume is None:
            dots.append(DotReading(index=dot.index, state=DotState.MISSING))
            continue
        diameter = bench.dot_mm(volume)
        sigma = (EDGE_MM**2 + (OF_SIZE * diameter) ** 2) ** 0.5
        dots.append(
            DotReading(
                index=dot.index,
                state=DotState.MEASURED,
                diameter_mm=max(diameter + rng.normal(0.0, sigma), 0.02),
                sigma_mm=sigma,
                photos=1,
            )
        )
    return Measurements(sheet=sheet.name, readings=tuple(dots), photos=())


def block_mg(made: Designed, bench: Foreign, rng: np.random.Generator) -> float:
    """The block of a sheet laid on the bench and weighed: two readings of the scale, and paste of 1 % other density."""
    assert made.block is not None
    (laid,) = lay_all([track(made.block.motions, bench.profile)], [bench])
    density = bench.profile.paste.density_g_cm3 * (1 + rng.normal(0.0, 0.01))
    empty, full = 12_000.0 + rng.uniform(0.0, SCALE_MG), sum(laid.mean_ul.values()) * density
    return SCALE_MG * (round((empty + full) / SCALE_MG) - round(empty / SCALE_MG))


def weighed(sheet: Sheet, laid: Landed, bench: Foreign, rng: np.random.Generator) -> Weighed:
    """All dots of the sheet on a scale of 1 %."""
    landed = [laid.mean_ul[dot.index] for dot in sheet.dots if dot.index in laid.mean_ul]
    mass_mg = sum(landed) * bench.profile.paste.density_g_cm3 * (1 + rng.normal(0.0, 0.01))
    return Weighed(dots=len(landed), mass_mg=mass_mg)


def seen_by_camera(bench: Foreign) -> Truth:
    """The bench as the rendered photos know one: only the shape of its dots counts there."""
    return truth_of(bench.profile, dot_shape=bench.dot_shape)


def board_motions(profile: Profile) -> tuple[dict[int, float], Motions]:
    """The demo board planned with a profile: doses by deposit [µL], and the journey."""
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
    wanted = {deposit.index: deposit.volume_ul for deposit in layout.deposits}
    return wanted, plan_motions(layout, tour, profile)


def board_errors(profiles: Sequence[Profile], benches: Sequence[Foreign]) -> list[tuple[np.ndarray, float]]:
    """Landed volume over dose less one, by deposit, and the highest pressure [kPa], bench by bench, side by side."""
    planned = [board_motions(profile) for profile in profiles]
    laid = lay_all(
        [track(motions, profile) for (_, motions), profile in zip(planned, profiles, strict=True)],
        benches,
        steps=20,
    )
    return [
        (np.array([one.mean_ul.get(at, 0.0) / dose - 1 for at, dose in wanted.items()]), one.peak_kpa)
        for (wanted, _), one in zip(planned, laid, strict=True)
    ]


def p95(errors: np.ndarray) -> float:
    """95th percentile of the errors' size [-]."""
    return float(np.quantile(np.abs(errors), 0.95))
