"""`Board` and doses to `Layout`: which dots and beads lay the doses down, and what cannot be done and why.

Each pad is first given a form of its own (`forms`, `odd`). Rows of pads whose single deposits would bridge then
get one bead across (`rows`). Last, every deposit is checked against its neighbours (`bridging`).
Deposits stay clear of holes, except those of paste-in-hole. Plungers and programs are left to later stages.
"""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from functools import partial
from types import MappingProxyType

from msgspec import structs

from pastewright.board.model import Board, Pad, PadKind
from pastewright.deposit.apart import Yielding, kept_apart, mend_words
from pastewright.deposit.bridging import Near, near_deposits
from pastewright.deposit.frame import Frame
from pastewright.deposit.laid import LaidPad
from pastewright.deposit.limits import Piece, limits
from pastewright.deposit.model import Deposit, DepositKind, Layout, PadPlan, Share
from pastewright.deposit.notes import board_warnings, nets_of, note_bridges
from pastewright.deposit.rows import RowBead, Single, find_rows
from pastewright.deposit.singly import Chooser, lay_singly
from pastewright.deposit.wished import KINDS, as_wished, rowless
from pastewright.dose.model import Dose
from pastewright.job.model import FormWish, LaidAs
from pastewright.materials.model import Paste, Tip
from pastewright.profile.model import DepositSettings, Tuning
from pastewright.records.kinds import Form


def lay(
    board: Board,
    doses: Sequence[Dose],
    *,
    tip: Tip,
    paste: Paste,
    tuning: Tuning,
    settings: DepositSettings,
    wishes: Mapping[int, FormWish] = MappingProxyType({}),
) -> Layout:
    """Return the deposits of a board; `doses` are those of its pads, in order (else ValueError).

    `wishes` say of pads (by their place in the board) how they are to be laid.

    Volumes of a pad's shares add up to its planned volume; what was trimmed, raised, cannot be done or may bridge
    is told in the pad's warnings.
    """
    if [dose.pad_id for dose in doses] != [pad.id for pad in board.pads]:
        raise ValueError("doses are not those of the board's pads, in order")
    bench = limits(tip=tip, paste=paste, tuning=tuning, settings=settings)
    chooser = Chooser(bench)
    laid = as_wished(lay_singly(board, doses, chooser), wishes, board, doses, bench)
    lands = [pad.land for pad in board.pads]
    singles = _singles(board, doses, laid, wishes)
    rows = find_rows(singles, lands, settings=settings, limits=bench, wished=frozenset(wishes))
    yielding = Yielding(
        pads=board.pads,
        targets_ul=[dose.target_ul for dose in doses],
        limits=bench,
        gap_mm=settings.bridge_gap_mm,
        kept=frozenset(index for index, wish in wishes.items() if wish.laid_as in KINDS),
    )

    last: list[tuple[Mapping[int, LaidPad], tuple[list[Deposit], list[PadPlan]]]] = []

    def collected(own: Mapping[int, LaidPad]) -> tuple[list[Deposit], list[PadPlan]]:
        # Where nothing had to give way, what was looked at last is what is laid.
        if not last or last[0][0] is not own:
            last[:] = [(own, _collect(board, own, rows.rows))]
        return last[0][1]

    def lay_out(own: Mapping[int, LaidPad]) -> tuple[Sequence[Deposit], Sequence[Near]]:
        there, _ = collected(own)
        nets = nets_of(board, there)
        gap_mm, error_mm = settings.bridge_gap_mm, settings.placement_error_mm
        return there, near_deposits(there, nets, gap_mm=gap_mm, error_mm=error_mm)

    laid = kept_apart(laid, frozenset(index for row in rows.rows for index in row.members), lay_out, yielding)
    deposits, plans = collected(laid)
    notes: dict[int, list[str]] = defaultdict(list)
    for index, words in rows.refused.items():
        notes[index].append(words)
    for index in rowless(wishes, plans):
        notes[index].append("wished in a bead across its row, and stands in no row that can be laid so")
    bridges = note_bridges(
        board, lands, deposits, notes, settings, mend=partial(mend_words, laid=laid, yielding=yielding)
    )
    plans = [
        structs.replace(plan, warnings=(*plan.warnings, *notes[index]), bridges=tuple(bridges.get(index, ())))
        if index in notes
        else plan
        for index, plan in enumerate(plans)
    ]
    pairs = sum(len(found) for found in bridges.values())
    failed = sum(not own.possible for index, own in laid.items() if plans[index].form is not Form.ROW_BEAD)
    return Layout(
        deposits=tuple(deposits),
        pads=tuple(plans),
        warnings=tuple(board_warnings(tip, paste, settings, failed=failed, pairs=pairs)),
    )


def _singles(
    board: Board, doses: Sequence[Dose], laid: Mapping[int, LaidPad], wishes: Mapping[int, FormWish]
) -> list[Single]:
    """Pads that could stand in a row: laid whole, in one area, and not wished otherwise."""
    return [
        Single(
            index=index,
            pad=board.pads[index],
            frame=own.parts[0][0],
            target_ul=doses[index].target_ul,
            choice=own.parts[0][1],
        )
        for index, own in laid.items()
        if len(own.parts) == 1 and board.pads[index].kind is PadKind.SURFACE and not board.pads[index].path_mm
        if index not in wishes or wishes[index].laid_as is LaidAs.ROW
    ]


def _collect(
    board: Board, laid: Mapping[int, LaidPad], rows: Sequence[RowBead]
) -> tuple[list[Deposit], list[PadPlan]]:
    """Deposits in the order of the pads that first get them, and the plan of every pad."""
    row_of = {index: row for row in rows for index in row.members}
    row_deposit: dict[tuple[int, ...], int] = {}
    deposits: list[Deposit] = []
    plans: list[PadPlan] = []
    for index, pad in enumerate(board.pads):
        row = row_of.get(index)
        if row is not None:
            if row.members not in row_deposit:
                row_deposit[row.members] = len(deposits)
                deposits.append(_row_deposit(row, board, len(deposits)))
            plans.append(
                PadPlan(
                    pad_id=pad.id,
                    planned_ul=row.shares_ul[row.members.index(index)],
                    form=Form.ROW_BEAD,
                    reason=row.reason,
                    deposits=(row_deposit[row.members],),
                    warnings=row.warnings,
                )
            )
        elif index in laid:
            own = laid[index]
            laid_here = _deposits(pad, own, len(deposits))
            deposits.extend(laid_here)
            plans.append(
                PadPlan(
                    pad_id=pad.id,
                    planned_ul=sum([deposit.volume_ul for deposit in laid_here]),
                    form=own.form,
                    reason=own.reason,
                    deposits=tuple([deposit.index for deposit in laid_here]),
                    warnings=own.warnings,
                    balance=own.balance,
                )
            )
        else:
            plans.append(PadPlan(pad_id=pad.id, planned_ul=0.0, form=Form.NONE, reason="", deposits=()))
    return deposits, plans


def _deposits(pad: Pad, own: LaidPad, begin: int) -> list[Deposit]:
    if len(own.parts) == 1 and len(own.parts[0][1].pieces) == 1:
        return [_deposit(pad, own.parts[0][0], own.parts[0][1].pieces[0], begin)]
    pieces = [(frame, piece) for frame, choice in own.parts for piece in choice.pieces]
    return [_deposit(pad, frame, piece, index) for index, (frame, piece) in enumerate(pieces, start=begin)]


def _deposit(pad: Pad, frame: Frame, piece: Piece, index: int) -> Deposit:
    return Deposit(
        index=index,
        kind=piece.kind,
        points_mm=tuple([frame.to_board(u, v) for u, v in piece.points_mm]),
        volume_ul=piece.volume_ul,
        width_mm=piece.width_mm,
        height_mm=piece.height_mm,
        shares=(Share(pad_id=pad.id, volume_ul=piece.volume_ul),),
    )


def _row_deposit(row: RowBead, board: Board, index: int) -> Deposit:
    return Deposit(
        index=index,
        kind=DepositKind.BEAD,
        points_mm=row.points_mm,
        volume_ul=sum(row.shares_ul),
        width_mm=row.width_mm,
        height_mm=row.height_mm,
        shares=tuple(
            Share(pad_id=board.pads[member].id, volume_ul=volume_ul)
            for member, volume_ul in zip(row.members, row.shares_ul, strict=True)
        ),
        row_mm=row.row_mm,
    )
