"""The worked example of docs/doses.md is what the code does."""

from dataclasses import replace
from pathlib import Path

from boards_by_hand import board, deposit_settings, dose_settings, pad, paste, rectangle, tip, tuning

from pastewright.deposit.lay import lay
from pastewright.dose.doses import dose_board

PAGE = " ".join((Path(__file__).parents[2] / "docs" / "doses.md").read_text(encoding="utf-8").split())
CURVE = ((0.5, 0.65), (0.6, 0.78), (0.66, 0.85), (0.8, 0.93), (1.0, 0.98), (1.5, 1.0))


def laid(pads, *, overhang_mm=0.1):
    there = board(pads)
    doses = dose_board(there, dose_settings(foil_mm=0.12, transfer=CURVE), paste()).doses
    settings = replace(deposit_settings(overhang_mm=overhang_mm, trim_to=0.5, raise_to=1.5), row_factor=0.8)
    layout = lay(there, doses, tip=tip(25), paste=paste(), tuning=tuning(), settings=settings)
    return doses, layout


def test_the_0402_of_the_page():
    chip = pad("R1-1", rectangle(0, 0, 0.54, 0.64))
    (dose,), layout = laid([chip])
    quote = f"{dose.reason}; {layout.pads[0].reason}"
    assert quote in PAGE.replace("> ", "")
    assert f"{dose.solder_ul:.4f} µL of solder" in PAGE
    assert f"the dose is {dose.target_ul:.4f} µL" in PAGE
    assert f"= {layout.deposits[0].width_mm:.3f} mm wide" in PAGE
    _, narrow = laid([chip], overhang_mm=0.02)
    assert f"trimmed to {narrow.pads[0].planned_ul:.4f} µL, 72 %" in PAGE
    assert "(72 %)" in narrow.pads[0].warnings[0]


def test_the_row_of_the_page():
    leads = [pad(f"U1-{k + 1}", rectangle(0.5 * k, 0, 0.30, 1.475), net=f"N{k}") for k in range(25)]
    doses, layout = laid(leads)
    (bead,) = layout.deposits
    assert f"wants {doses[0].target_ul:.4f} µL each" in PAGE
    assert f"one bead of {bead.volume_ul:.3f} µL, {bead.width_mm:.2f} mm wide" in PAGE
    assert "run 0.04 mm into each other" in layout.pads[0].reason
