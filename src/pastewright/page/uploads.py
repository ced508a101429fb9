"""Files that a browser sends: into the folder, under names that cannot lead elsewhere, within limits.

A drop is one zip or file, or the files of a folder one after the other; they lie in a hidden folder beside the others
until the browser says that they are all there. Nothing of their content is looked at here: readers do that in a worker.
"""

import re
import shutil
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from tempfile import mkdtemp

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from pastewright.page.answers import done, given, text_of
from pastewright.photo import PHOTO_ENDINGS
from pastewright.problems import one_error

MOST_FILES = 400
MOST_NAME = 100
ARRIVING = ".pastewright-arriving-"
_ODD = re.compile(r"[^\w.() +-]+")


def plain_name(name: str) -> str:
    """Return the last part of a file's name, of letters, digits and a few signs; raises `InputError` for none."""
    last = re.split(r"[/\\]", name)[-1]
    plain = _ODD.sub("_", last).strip(" .")
    if not plain:
        raise one_error("this file has no name", "Give it one, and drop it again.")
    if len(plain) > MOST_NAME:
        stem, dot, ending = plain.rpartition(".")
        plain = plain[:MOST_NAME] if not dot else stem[: MOST_NAME - len(ending) - 1] + dot + ending[:20]
    return plain


def photo_name(name: str, *, also: tuple[str, ...] = ()) -> str:
    """Return a photo's plain name; raises `InputError` for a file that is none by its ending, nor has one of `also`."""
    plain = plain_name(name)
    if Path(plain).suffix.lower() not in (*PHOTO_ENDINGS, *also):
        raise one_error(f"{plain!r} is no photo", "Take JPEG, PNG or HEIC.")
    return plain


def free_place(folder: Path, name: str) -> Path:
    """Return a path of this name in a folder, with a number behind it where one is there already."""
    place = folder / name
    stem, ending = place.stem, place.suffix
    number = 2
    while place.exists():
        place = folder / f"{stem}-{number}{ending}"
        number += 1
    return place


class Drops:
    """The drops under way, by the word that the browser gives each."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._arriving: dict[str, Path] = {}

    async def receive(self, word: str, name: str, body: AsyncIterator[bytes]) -> int:
        """Keep one file of a drop; returns how many there are now. The size of a body is limited by the guard."""
        if not re.fullmatch(r"[0-9a-f]{8,64}", word):
            raise one_error("this drop has no word of its own")
        if word not in self._arriving:
            try:
                self._arriving[word] = Path(mkdtemp(prefix=ARRIVING, dir=self._folder))
            except OSError as error:
                raise one_error(f"nothing can be written here: {error.strerror}") from None
        place = self._arriving[word]
        files = list(place.iterdir())
        if len(files) >= MOST_FILES:
            self.forget(word)
            raise one_error(
                f"more than {MOST_FILES} files are no board", "Drop the zip or the folder of one board."
            )
        try:
            with free_place(place, plain_name(name)).open("wb") as file:
                async for part in body:
                    file.write(part)
        except OSError as error:
            self.forget(word)
            raise one_error(f"the file cannot be written: {error.strerror}") from None
        return len(files) + 1

    def taken(self, word: str, name: str) -> Path:
        """Return where a drop lies now that it is whole: one file by its name, several as a folder of this name."""
        place = self._arriving.pop(word, None)
        files = sorted(place.iterdir()) if place is not None else []
        if place is None or not files:
            raise one_error("nothing has arrived", "Drop it again.")
        try:
            if len(files) == 1:
                end = free_place(self._folder, files[0].name)
                files[0].rename(end)
                place.rmdir()
            else:
                end = free_place(self._folder, plain_name(name or "board"))
                place.rename(end)
                end.chmod(0o755)
        except OSError as error:
            raise one_error(f"the files cannot be put in their place: {error.strerror}") from None
        return end

    def moved(self, word: str, place: Path) -> list[Path]:
        """Move the files of a drop that is whole into a folder, made where it is not; returns where each lies now."""
        arrived = self._arriving.pop(word, None)
        files = sorted(arrived.iterdir()) if arrived is not None else []
        if arrived is None or not files:
            raise one_error("nothing has arrived", "Send it again.")
        try:
            place.mkdir(parents=True, exist_ok=True)
            ends = []
            for file in files:
                ends.append(free_place(place, file.name))
                file.rename(ends[-1])
            arrived.rmdir()
        except OSError as error:
            raise one_error(f"the files cannot be put in their place: {error.strerror}") from None
        return ends

    def forget(self, word: str) -> None:
        """Throw away what arrived of a drop."""
        place = self._arriving.pop(word, None)
        if place is not None:
            shutil.rmtree(place, ignore_errors=True)

    def close(self) -> None:
        """Throw away what never became whole."""
        for word in list(self._arriving):
            self.forget(word)


def photo_routes(
    drops: Drops,
    place: Callable[[], Path],
    take: Callable[[list[Path]], int],
    *,
    at: str = "",
    also: tuple[str, ...] = (),
    allowed: Callable[[Request], None] = lambda _request: None,
) -> list[Route]:
    """Return what a screen sends photos by, below `at`: one after the other, then the word that all are there.

    `place` tells the folder that they are for; `take` begins to look at them and returns its task; endings in `also` are
    taken, too; `allowed` raises `InputError` for a window that may not.
    """

    async def photo(request: Request) -> Response:
        allowed(request)
        word, name = request.query_params.get("drop", ""), request.query_params.get("name", "")
        name = photo_name(name, also=also)
        return done({"files": await drops.receive(word, name, request.stream())})

    async def read(request: Request) -> Response:
        allowed(request)
        word = text_of(await given(request), "drop")
        return done({"task": await run_in_threadpool(lambda: take(drops.moved(word, place())))})

    return [Route(f"{at}/photo", photo, methods=["POST"]), Route(f"{at}/read", read, methods=["POST"])]
