"""The least squares of several sheets: what is unknown, how far off a guess of it is, and a search from one guess.

The unknowns are the shared constants and then each sheet's own, as the fit sees them (`constants`); a vector holds one
value of each, lanes hold many vectors.
"""

from collections.abc import Callable, Sequence
from math import log
from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from pastewright.profile.model import Profile
from pastewright.tune.fit.constants import (
    AT,
    CONSTANTS,
    OWN,
    SHARED,
    Floats,
    as_seen,
    constants_of,
    lasting_seen,
    stated_priors,
)
from pastewright.tune.fit.evidence import Evidence
from pastewright.tune.fit.fitted import DotResidual
from pastewright.tune.fit.losses import LAST_LOSS, SEARCH_LOSS, Loss, cost_of, let_go
from pastewright.tune.fit.scatter import scatter_of
from pastewright.tune.fit.weighing import WeighedBlock

# Where the model has no answer, the residual [in standard errors] (own choice: no bench is so far off).
FAR_AWAY = 1e3

# Prior of the dots' shape ratio where somebody has measured it.
STATED_SHAPE_SD = 0.02

# Which dots of each sheet count.
Keep = list[NDArray[np.bool_]]


class Pulled(Protocol):
    """One more row of the least squares, beside the dots and the priors."""

    def row(self, x: Floats, /) -> float:
        """The residual."""

    def slope(self, x: Floats, /) -> Floats:
        """Its derivatives by the unknowns, 1 × unknowns."""


class LeastSquares:
    """The stacked least squares of several sheets: shared constants first, then each sheet's own.

    `priors` replace (centre, sd as the fit sees it) of single constants; `blocks` were weighed, and tell the gain.
    """

    def __init__(
        self,
        evidence: Sequence[Evidence],
        profile: Profile,
        *,
        shape_stated: bool,
        priors: dict[str, tuple[float, float]],
        blocks: Sequence[WeighedBlock] = (),
    ) -> None:
        self.evidence = tuple(evidence)
        self.blocks = tuple(blocks)
        self.kept_secants: dict[bytes, Floats] = {}
        own = constants_of(profile)
        profiled = {**own, **{name: mean for name, (mean, _) in priors.items()}}
        priors = {**stated_priors(profile), **priors}
        centre = {**profiled, **{name: mean for name, (mean, _) in priors.items()}}
        sds = {c.name: c.sd for c in CONSTANTS} | {name: sd for name, (_, sd) in priors.items()}
        if shape_stated:
            sds["dot_shape_ratio"] = STATED_SHAPE_SD
        self.profile_seen = as_seen(own)
        seen = as_seen(profiled)
        spread = np.array([sds[c.name] for c in CONSTANTS])
        low = np.array(
            [log(c.low) if c.logarithmic else c.low - x for c, x in zip(CONSTANTS, seen, strict=True)]
        )
        high = np.array(
            [log(c.high) if c.logarithmic else c.high - x for c, x in zip(CONSTANTS, seen, strict=True)]
        )
        self.shared, self.own = list(SHARED), list(OWN)
        order = self.shared + self.own * len(self.evidence)
        self.order = order
        # Where searches begin and what they are told beside, and where the priors pull.
        self.profiled, self.centre, self.sd = seen[order], as_seen(centre)[order], spread[order]
        place = self.own.index(AT["photo_width"])
        for k, one in enumerate(self.evidence):
            self.sd[len(self.shared) + k * len(self.own) + place] = one.photo_sd
        self.low, self.high = (seen + low)[order], (seen + high)[order]
        # Which unknowns each sheet feels, in the order of its constants.
        first, own_count = len(self.shared), len(self.own)
        self.columns = [
            [*range(first), *range(first + k * own_count, first + (k + 1) * own_count)]
            for k in range(len(self.evidence))
        ]

    def seen_of(self, x: Floats, sheet: int) -> Floats:
        """What a sheet feels of vectors, any × unknowns: any × constants."""
        seen = np.empty((*x.shape[:-1], len(CONSTANTS)))
        seen[..., self.shared + self.own] = x[..., self.columns[sheet]]
        return seen

    def lasting_seen(self, x: Floats) -> Floats:
        """Return what a board feels of vectors, lanes × unknowns, after the last sheet: lanes × constants."""
        return lasting_seen(self.seen_of(x, -1))

    def residuals(self, x: Floats, keep: Keep | None = None) -> Floats:
        """How far a vector is off: each dot that counts, each weighed block, then each prior, in standard errors."""
        parts = [
            one.residuals(self.seen_of(x, k), keep=None if keep is None else keep[k])
            for k, one in enumerate(self.evidence)
        ]
        last = self.seen_of(x, len(self.evidence) - 1)
        parts += [block.residuals(last) for block in self.blocks]
        return np.concatenate([*parts, (x - self.centre) / self.sd])

    def slopes(
        self,
        x: Floats,
        keep: Keep | None = None,
        *,
        one_sided: bool = False,
        nudges: Floats | None = None,
    ) -> Floats:
        """The derivatives of the residuals by the unknowns, residuals × unknowns; over `nudges` where these are given."""
        parts = []
        active = self.shared + self.own
        for k, one in enumerate(self.evidence):
            kept = None if keep is None else keep[k]
            wide = None if nudges is None else self.seen_of(nudges, k)
            _, rows = one.slopes(self.seen_of(x, k), active, keep=kept, one_sided=one_sided, nudges=wide)
            whole = np.zeros((rows.shape[0], x.size))
            whole[:, self.columns[k]] = rows
            parts.append(whole)
        last = self.seen_of(x, len(self.evidence) - 1)
        for block in self.blocks:
            whole = np.zeros((1, x.size))
            whole[:, self.columns[-1]] = block.slopes(last, active)
            parts.append(whole)
        return np.concatenate([*parts, np.diag(1 / self.sd)])

    def search(
        self,
        x: Floats,
        rounds: int,
        keep: Keep | None = None,
        *,
        loss: Loss = SEARCH_LOSS,
        pulled: Pulled | None = None,
        on_step: Callable[[Floats], None] = lambda y: None,
    ) -> tuple[Floats, float]:
        """Return the vector that a search from `x` ends at, and its cost. `on_step` is called at each step, and may raise to
        end it.
        """
        inside = np.clip(x, self.low + 1e-9, self.high - 1e-9)

        def residuals(y: Floats) -> Floats:
            rows = self.residuals(y, keep)
            return rows if pulled is None else np.append(rows, pulled.row(y))

        def slopes(y: Floats) -> Floats:
            on_step(y)
            rows = self.slopes(y, keep, one_sided=True)
            return rows if pulled is None else np.vstack([rows, pulled.slope(y)])

        found = least_squares(
            residuals,
            inside,
            jac=slopes,
            bounds=(self.low, self.high),
            x_scale=self.sd,
            loss=let_go(loss, x.size + (pulled is not None)),  # type: ignore[arg-type]  # scipy-stubs want a protocol
            max_nfev=rounds,
            xtol=1e-4,
            ftol=1e-5,
        )
        best: Floats = found.x
        return best, float(found.cost)

    def told(self, lanes: Floats) -> Floats:
        """The residuals of many vectors, lanes × unknowns, without the priors: residuals × lanes."""
        parts = [
            np.nan_to_num(one.survey(self.seen_of(lanes, k)), nan=FAR_AWAY)
            for k, one in enumerate(self.evidence)
        ]
        parts += [block.survey(self.seen_of(lanes, -1)) for block in self.blocks]
        return np.concatenate(parts)

    def disbelief(self, lanes: Floats) -> Floats:
        """What the priors cost of vectors, lanes × unknowns."""
        cost: Floats = 0.5 * np.square((lanes - self.centre) / self.sd).sum(axis=1)
        return cost

    def cost(self, x: Floats, loss: Loss = LAST_LOSS) -> float:
        """The cost of a vector as a search sees it."""
        rows = self.residuals(x)
        return 0.5 * float(let_go(loss, x.size)(rows * rows)[0].sum())

    def costs(self, lanes: Floats, loss: Loss) -> Floats:
        """The costs of many vectors, lanes × unknowns, at once."""
        cost: Floats = cost_of(self.told(lanes), loss) + self.disbelief(lanes)
        return cost

    def secants(self, x: Floats) -> Floats:
        """The slopes over what the data leave to each constant by itself: backlash that is just taken up and a seal that
        just slides make kinks, and the slope at a kink tells nothing of either side.
        """
        key = x.tobytes()
        if key not in self.kept_secants:
            alone = 1 / np.sqrt(np.square(self.slopes(x)).sum(axis=0))
            self.kept_secants[key] = self.slopes(x, nudges=alone)
        return self.kept_secants[key]

    def covariance(self, x: Floats, chi: float) -> Floats:
        """Covariance of the unknowns; errors are not smaller than stated, but larger where the dots scatter more."""
        jac = self.secants(x)
        scale = np.ones(jac.shape[0])
        scale[: jac.shape[0] - x.size] = max(chi, 1.0)
        weighted = jac / scale[:, None]
        return np.asarray(np.linalg.inv(weighted.T @ weighted), dtype=float)

    def weigh_by_scatter(self, x: Floats) -> None:
        """Let each dot count by how much dots scatter on this bench, as the best vector shows it."""
        off, read = [], []
        for k, one in enumerate(self.evidence):
            dots = one.compared(self.seen_of(x, k), sheet=k)
            off += [log(dot["measured_ul"] / dot["model_ul"]) for dot in dots]
            read.append(one.reading.read_spread[one.reading.measured])
        jac = self.slopes(x)[: -x.size]
        # How many constants the dots tell, and not the priors: the trace of the share that is theirs.
        told = jac.T @ jac
        free = float(np.trace(np.linalg.solve(told + np.diag(self.sd**-2), told)))
        scatter = scatter_of(np.array(off), np.concatenate(read), free=free)
        self.evidence = tuple(one.with_scatter(scatter) for one in self.evidence)
        self.kept_secants.clear()

    def compared(self, x: Floats) -> tuple[DotResidual, ...]:
        """Model and measurement of each dot that counts."""
        dots = []
        for k, one in enumerate(self.evidence):
            dots.extend(one.compared(self.seen_of(x, k), sheet=k))
        return tuple(DotResidual(**dot) for dot in dots)

    @property
    def dots(self) -> int:
        """How many dots were measured."""
        return int(sum(one.reading.measured.sum() for one in self.evidence))
