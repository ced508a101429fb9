"""Hosts for the pretend controller, written from the protocols alone and independent of the real sender."""

import re
from collections.abc import Callable, Iterable

import pytest

from pastewright.virtual import VirtualController


def checked(text: str) -> bytes:
    """Return a line with its checksum: the exclusive-or of all characters before the star."""
    total = 0
    for letter in text.encode():
        total ^= letter
    return f"{text}*{total}\n".encode()


def talk(controller: VirtualController, data: bytes, *, now_s: float = 0.0, whole: bool = True) -> list[str]:
    """Return the lines answered to `data`, sent whole or one byte at a time."""
    answer = b""
    for piece in [data] if whole else [data[at : at + 1] for at in range(len(data))]:
        controller.feed(piece, now_s)
        answer += controller.take(now_s)
    return answer.decode().splitlines()


def quiet(controller: VirtualController, now_s: float, *, most_s: float = 1e6) -> tuple[float, bytes]:
    """Return when nothing more will come by itself, and all that came until then."""
    came = controller.take(now_s)
    while (next_s := controller.next_s(now_s)) is not None and next_s <= most_s:
        now_s = next_s
        came += controller.take(now_s)
    return now_s, came


def stubborn_host(controller: VirtualController, commands: Iterable[str], *, tries: int = 2_000) -> None:
    """Send numbered lines one by one, and go back wherever the controller asks, until all are acknowledged.

    It believes nothing but `ok` and `Resend`; when no answer comes it sends the line again, which is safe since a
    numbered line is never carried out twice. That it may skip ahead, since an ok was lost, it believes when it is
    asked for the same number twice. Once the count was set back it is never set back again: such a wish is a number
    that lost its first digits on the way.
    """
    texts = ["M110 N0", *commands, "M400"]
    now_s, _ = quiet(controller, 0.0)
    number, heard = 0, -1
    while number < len(texts):
        tries -= 1
        assert tries > 0, "the conversation does not end"
        # The newline in front ends whatever half a line an earlier fault has left there.
        controller.feed(b"\n" + checked(f"N{number} {texts[number]}"), now_s)
        now_s, came = quiet(controller, now_s)
        asked = [int(found[1]) for found in re.finditer(rb"Resend: (\d+)\n", came)]
        if asked:
            if asked[-1] <= number or asked[-1] == heard:
                number = min(max(asked[-1], min(number, 1)), len(texts))
            heard = asked[-1]
        elif came.count(b"ok\n") == 1 and b"Error" not in came:
            number, heard = number + 1, -1


@pytest.fixture(scope="session", name="checked")
def _checked() -> Callable[[str], bytes]:
    return checked


@pytest.fixture(scope="session", name="talk")
def _talk() -> Callable[..., list[str]]:
    return talk


@pytest.fixture(scope="session", name="quiet")
def _quiet() -> Callable[..., tuple[float, bytes]]:
    return quiet


@pytest.fixture(scope="session", name="stubborn_host")
def _stubborn_host() -> Callable[..., None]:
    return stubborn_host
