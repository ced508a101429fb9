"""The records screen's routes: runs, barrels, batches and their boards, as the journal has them; and the exports."""

from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from pastewright.link.barrels import BarrelRow, barrels, history
from pastewright.link.batch import BatchRow, PlaceRow, batches, places
from pastewright.link.conduct import unix_s
from pastewright.link.journal import Journal
from pastewright.link.journal_rows import RunRow
from pastewright.page.answers import done, given, number_of, text_of
from pastewright.page.context import PageContext, must_steer
from pastewright.page.room import MachineRoom, room_of
from pastewright.problems import one_error
from pastewright.work.running.barrels import change
from pastewright.work.running.choice import settle
from pastewright.work.running.export import records_text

MOST_RUNS = 300
"""Rows of a page; the commands list all."""
MEDIA = {"csv": "text/csv; charset=utf-8", "json": "application/json"}


def shown(room: MachineRoom) -> dict[str, Any]:
    """Return runs, barrels and batches of the journal, as the page tells them."""
    journal = Journal(room.journal)
    try:
        if not room.busy:
            settle(journal, now_s=unix_s())
        return {
            "runs": [_run(row) for row in journal.runs()[:MOST_RUNS]],
            "barrels": [{**_barrel(row), "history": history(journal, row)} for row in barrels(journal)],
            "batches": [
                {**_batch(row), "places": [_place(one) for one in places(journal, row.id)]}
                for row in batches(journal)
            ],
        }
    finally:
        journal.close()


def _run(row: RunRow) -> dict[str, Any]:
    return {
        "id": row.id,
        "board": row.board_name,
        "side": row.side,
        "number": row.number,
        "dry": row.dry,
        "kind": row.kind,
        "began_at": row.began_at,
        "phase": row.phase,
        "why": row.why,
        "counts": row.counts,
        "used_ul": row.used_ul,
        "tip": row.tip,
        "on": row.ended_at is None,
    }


def _barrel(row: BarrelRow) -> dict[str, Any]:
    return {
        "name": row.name,
        "paste": row.paste,
        "lot": row.lot,
        "left_ul": row.left_ul,
        "filled_ul": row.filled_ul,
        "doubt_ul": row.doubt_ul,
        "opened_at": row.opened_at,
        "ended_at": row.ended_at,
        "runs": row.runs,
    }


def _batch(row: BatchRow) -> dict[str, Any]:
    return {"id": row.id, "name": row.name, "began_at": row.began_at, "ended_at": row.ended_at}


def _place(one: PlaceRow) -> dict[str, Any]:
    return {
        "place": one.place,
        "side": one.side,
        "serial": one.serial,
        "state": str(one.state),
        "note": one.note,
    }


def routes(context: PageContext) -> list[Route]:
    """Return what the screen asks for."""
    room = room_of(context)

    async def look(_request: Request) -> Response:
        return done(await run_in_threadpool(shown, room))

    async def export(request: Request) -> Response:
        ending = str(request.path_params["ending"])
        if ending not in MEDIA:
            raise one_error(f"there is no export as {ending}", "There are csv and json.")

        def text() -> str:
            journal = Journal(room.journal)
            try:
                return records_text(journal, f".{ending}", None)
            finally:
                journal.close()

        headers = {"content-disposition": f'attachment; filename="boards.{ending}"'}
        return Response(await run_in_threadpool(text), media_type=MEDIA[ending], headers=headers)

    async def barrel(request: Request) -> Response:
        must_steer(context, request)
        data = await given(request)
        what = text_of(data, "what")
        if what not in ("new", "open", "refill", "end"):
            raise one_error(f"{what!r} cannot happen to a barrel", "There are new, open, refill and end.")
        name, lot, paste = (text_of(data, key, most=80) for key in ("name", "lot", "paste"))
        ul = number_of(data, "ul") or 0.0
        if what in ("new", "refill") and not 0 < ul < 1e6:
            raise one_error("how much paste was filled in?", "A volume in µL, above zero.")
        await run_in_threadpool(
            lambda: room.said(lambda: change(what, name, room.journal, ul=ul, lot=lot, paste=paste))
        )
        return done()

    return [
        Route("/look", look),
        Route("/export/{ending}", export),
        Route("/barrel", barrel, methods=["POST"]),
    ]
