"""Benches, and a player of guides that is a list of answers."""

from collections.abc import Mapping, Sequence
from typing import Any

from pastewright.hands.guide import Act, Feel, Guide, Keep, Request, Steer, Tell
from pastewright.hands.moves import Spot, after
from pastewright.hands.reach import kept, reach_of
from pastewright.profile.edit import with_values
from pastewright.profile.examples import example_text
from pastewright.profile.model import Profile
from pastewright.profile.read import parse_profile


def bench(name: str = "bench-reprap-e") -> Profile:
    return parse_profile(example_text(name), "bench.toml")


class Played:
    """What became of a guide: its result, all requests, and the profile as it was written."""

    def __init__(self, profile: Profile, at: Spot, *, ground_mm: float | None = None) -> None:
        self.text = example_text(
            "bench-reprap-e" if profile.controller.dialect == "reprap" else "bench-ngc-rotary-a"
        )
        self.profile, self.at, self.ground_mm = profile, at, ground_mm
        self.requests: list[Request] = []
        self.result: Any = None

    def run(self, guide: Guide[Any], answers: Sequence[Any]) -> "Played":
        """Play a guide; moves are checked and followed here, everything else is answered from the list."""
        left = list(answers)
        answer: Any = None
        try:
            while True:
                request = guide.send(answer)
                self.requests.append(request)
                answer = self._answer(request, left)
        except StopIteration as end:
            self.result = end.value
        assert left == [], f"answers nobody asked for: {left}"
        return self

    def _answer(self, request: Request, left: list[Any]) -> Any:
        touching = any(
            isinstance(one, Feel) or (isinstance(one, Steer) and one.touching) for one in self.requests
        )
        reach = reach_of(self.profile, touching=touching)
        if isinstance(request, Tell):
            return None
        if isinstance(request, Act):
            for move in kept(request.moves, self.at, reach):
                self.at = after(self.at, move)
            return self.at
        if isinstance(request, Feel):
            if self.ground_mm is None or self.ground_mm < request.low_mm:
                self.at = Spot(x_mm=self.at.x_mm, y_mm=self.at.y_mm, z_mm=request.low_mm)
                return None
            self.at = Spot(x_mm=self.at.x_mm, y_mm=self.at.y_mm, z_mm=self.ground_mm)
            return self.at
        if isinstance(request, Keep):
            self.text = with_values(self.text, request.values)
            self.profile = parse_profile(self.text, "bench.toml")
            return self.profile
        value = left.pop(0)
        if isinstance(request, Steer) and isinstance(value, Mapping):
            self.at = Spot(**{"x_mm": self.at.x_mm, "y_mm": self.at.y_mm, "z_mm": self.at.z_mm, **value})
            return self.at
        return self.at if value is None else value

    def of(self, kind: type) -> list[Any]:
        """Return the requests of a kind."""
        return [request for request in self.requests if isinstance(request, kind)]
