"""Which file is which: attributes before names before content, and the person before all of them."""

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pastewright.board.model import LayerRole as R
from pastewright.board.roles.recognise import recognise
from pastewright.board.roles.role_words import role_of_function, role_of_name
from pastewright.board.source.files import SourceFile
from pastewright.board.source.sniff import FileKind, kind_of
from pastewright.plan.document import PAD_COLUMNS
from pastewright.problems import InputError, Severity

PLAIN = b"G04 a layer*\n%FSLAX46Y46*%\n%MOMM*%\n%ADD10C,0.1*%\nD10*\nX0Y0D03*\nM02*\n"
DRILL = b"M48\nMETRIC,TZ\nT1C0.8\n%\nT1\nX1000Y1000\nM30\n"
NETS = b"P  UNITS CUST 0\n317GND              VIA        MD0157PA00X+014149Y+002982X0315Y0000R000S3\n999\n"
CENTROIDS = b"Designator,Comment,Center-X(mm),Center-Y(mm),Layer,Rotation\nR1,10k,1,2,Top,90\n"


def file(name: str, data: bytes = PLAIN) -> SourceFile:
    return SourceFile(name=name, data=data)


def x2(function: str, style: str = "%TF.FileFunction,{}*%\n") -> bytes:
    return style.format(function).encode() + PLAIN


def roles(*files: SourceFile, **overrides: R) -> list[R]:
    return [each.role for each in recognise(files, overrides)]


def warnings_of(*files: SourceFile) -> list[str]:
    return [problem.what for each in recognise(files) for problem in each.problems]


@pytest.mark.parametrize(
    ("function", "role"),
    [
        ("Paste,Top", R.TOP_PASTE),
        ("Paste,Bot", R.BOTTOM_PASTE),
        ("Copper,L1,Top", R.TOP_COPPER),
        ("Copper,L4,Bot,Signal", R.BOTTOM_COPPER),
        ("Copper,L2,Inr,Plane", R.INNER_COPPER),
        ("Soldermask,Top,1", R.TOP_MASK),
        ("Soldermask,Bot", R.BOTTOM_MASK),
        ("Legend,Top", R.TOP_SILK),
        ("Legend,Bot", R.BOTTOM_SILK),
        ("Profile,NP", R.OUTLINE),
        ("Plated,1,2,PTH,Drill", R.DRILL),
        ("NonPlated,1,2,NPTH", R.DRILL),
        ("AssemblyDrawing,Top", R.OTHER),
        ("Drillmap", R.OTHER),
        ("Other,some text", R.OTHER),
    ],
)  # the values of the Gerber layer format specification, 5.6.3
def test_file_functions_of_the_specification(function: str, role: R) -> None:
    assert role_of_function(tuple(function.split(","))) is role
    assert roles(file("any.name", x2(function))) == [role]


@pytest.mark.parametrize(
    "style", ["%TF.FileFunction,{}*%\n", "G04 #@! TF.FileFunction,{}*\n", "G4 #@! TF.FileFunction,{}*\n"]
)
def test_the_file_function_is_read_in_both_spellings_and_beats_the_name(style: str) -> None:
    (found,) = recognise([file("board.gbl", x2("Paste,Top", style))])
    assert (found.role, found.how) == (R.TOP_PASTE, "X2 .FileFunction")
    assert "named like bottom copper" in found.problems[0].what
    assert found.problems[0].severity is Severity.WARNING


def test_the_file_function_of_a_drill_file_stands_in_its_comments() -> None:
    (found,) = recognise([file("holes.txt", b"M48\n; #@! TF.FileFunction,Plated,1,2,PTH\n" + DRILL[4:])])
    assert (found.role, found.kind, found.how) == (R.DRILL, FileKind.EXCELLON, "X2 .FileFunction")


# Made-up projects, each named after one custom found among design programs.
SETS: dict[str, dict[str, R]] = {
    "three letters": {
        "soil.GTL": R.TOP_COPPER,
        "soil.GBL": R.BOTTOM_COPPER,
        "soil.GTS": R.TOP_MASK,
        "soil.GBS": R.BOTTOM_MASK,
        "soil.GTO": R.TOP_SILK,
        "soil.GBO": R.BOTTOM_SILK,
        "soil.GTP": R.TOP_PASTE,
        "soil.GBP": R.BOTTOM_PASTE,
        "soil.GKO": R.OUTLINE,
        "soil.G1": R.INNER_COPPER,
        "soil.GP2": R.INNER_COPPER,
        "soil.GM1": R.OTHER,
        "soil.GD1": R.OTHER,
    },
    "front and back": {
        "soil v1.2-F_Cu.gbr": R.TOP_COPPER,
        "soil v1.2-B_Cu.gbr": R.BOTTOM_COPPER,
        "soil v1.2-In2_Cu.gbr": R.INNER_COPPER,
        "soil v1.2-F_Mask.gbr": R.TOP_MASK,
        "soil v1.2-B.Mask.gbr": R.BOTTOM_MASK,
        "soil v1.2-F_SilkS.gbr": R.TOP_SILK,
        "soil v1.2-B_Silkscreen.gbr": R.BOTTOM_SILK,
        "soil v1.2-F_Paste.gbr": R.TOP_PASTE,
        "soil v1.2-B_Paste.gbr": R.BOTTOM_PASTE,
        "soil v1.2-Edge_Cuts.gm1": R.OUTLINE,
        "soil v1.2-F_Fab.gbr": R.OTHER,
        "soil v1.2-F_Adhes.gbr": R.OTHER,
        "soil v1.2-PTH-drl_map.gbr": R.OTHER,
    },
    "words with spaces": {
        "probe (rev B) - Top Copper.gbr": R.TOP_COPPER,
        "probe (rev B) - Top Paste Mask.gbr": R.TOP_PASTE,
        "probe (rev B) - Bottom Solder Mask.gbr": R.BOTTOM_MASK,
        "probe (rev B) - Board Outline.gbr": R.OUTLINE,
    },
    "words run together": {
        "Top.gbr": R.TOP_COPPER,
        "Bottom.gbr": R.BOTTOM_COPPER,
        "TopMask.gbr": R.TOP_MASK,
        "BottomPaste.gbr": R.BOTTOM_PASTE,
        "BoardOutline.gbr": R.OUTLINE,
        "SolderPasteTop.gdo": R.TOP_PASTE,
        "SilkscreenBottom.gdo": R.BOTTOM_SILK,
    },
    "underscores": {
        "copper_top.gbr": R.TOP_COPPER,
        "soldermask_bottom.gbr": R.BOTTOM_MASK,
        "solderpaste_top.gbr": R.TOP_PASTE,
        "silkscreen_top.gbr": R.TOP_SILK,
        "profile.gbr": R.OUTLINE,
        "copper_inner_l2.gbr": R.INNER_COPPER,
    },
    "component and solder side": {
        "v.cmp": R.TOP_COPPER,
        "v.sol": R.BOTTOM_COPPER,
        "v.stc": R.TOP_MASK,
        "v.sts": R.BOTTOM_MASK,
        "v.plc": R.TOP_SILK,
        "v.crc": R.TOP_PASTE,
        "v.crs": R.BOTTOM_PASTE,
        "v.dim": R.OUTLINE,
    },
    "words as extensions": {
        "v1.1.Top": R.TOP_COPPER,
        "v1.1.Bot": R.BOTTOM_COPPER,
        "v1.1.StopTop": R.TOP_MASK,
        "v1.1.PasteBot": R.BOTTOM_PASTE,
        "v1.1.Outline": R.OUTLINE,
    },
    "kind before side": {"v.smt": R.TOP_MASK, "v.spb": R.BOTTOM_PASTE, "v.sst": R.TOP_SILK},
    "plot files": {"TOP.art": R.TOP_COPPER, "PASTE_BOT.art": R.BOTTOM_PASTE, "smask_top.pho": R.TOP_MASK},
    "dots": {
        "v.toppaste.gbr": R.TOP_PASTE,
        "v.bcream.ger": R.BOTTOM_PASTE,
        "v.internalplane1.ger": R.INNER_COPPER,
    },
}


@pytest.mark.parametrize("custom", SETS)
def test_customary_names_are_known(custom: str) -> None:
    found = recognise([file(name, PLAIN + name.encode()) for name in SETS[custom]])
    assert {each.file.name: each.role for each in found} == SETS[custom]
    assert not [p.what for each in found for p in each.problems]


@pytest.mark.parametrize(
    ("name", "role"),
    [
        ("position-sensor-F_Paste.gbr", R.TOP_PASTE),
        ("user-board-TopPaste.gbr", R.TOP_PASTE),
        ("position-sensor-Top.gbr", R.TOP_COPPER),
        ("resistor-array-Bottom.gbr", R.BOTTOM_COPPER),
        ("plug-in-F_Cu.gbr", R.TOP_COPPER),
        ("top-tester-B_Paste.gbr", R.BOTTOM_PASTE),
    ],
)
def test_a_projects_own_name_does_not_hide_the_layers_word(name: str, role: R) -> None:
    assert role_of_name(name, gerber=True)[0] is role


def test_content_decides_what_names_leave_open() -> None:
    found = recognise(
        [
            file("board.txt", DRILL),
            file("board.tx1", DRILL + b"\n"),
            file("pins.txt", NETS),
            file("board.csv", CENTROIDS),
        ]
    )
    assert [each.role for each in found] == [R.DRILL, R.DRILL, R.NETLIST, R.CENTROID]
    assert {each.how for each in found} == {
        "content: Excellon",
        "content: IPC-D-356",
        "content: centroid table",
    }


@pytest.mark.parametrize(
    ("data", "kind"),
    [
        (PLAIN, FileKind.GERBER),
        (b"*\n" + PLAIN, FileKind.GERBER),
        (b"\xef\xbb\xbf" + PLAIN, FileKind.GERBER),
        (DRILL, FileKind.EXCELLON),
        (b"G81\n" + DRILL, FileKind.EXCELLON),
        (b"%\n" + DRILL, FileKind.EXCELLON),
        (b";old\nT01\nX+021319Y+007110\nM30\n", FileKind.EXCELLON),
        (NETS, FileKind.IPC_D_356),
        (CENTROIDS, FileKind.CENTROID),
        (b"# Ref     Val       Package                PosX       PosY       Rot  Side\n", FileKind.CENTROID),
        (b'"Name","Component","Side","Centre X","Centre Y","Rotation"\n', FileKind.CENTROID),
        ("Designator\tMid X\tMid Y\n".encode("utf-16"), FileKind.CENTROID),
        (b"G21\nG90\nG1 X10 Y10 F600\nM30\n", FileKind.OTHER),
        (b"M48\nG21\nT1 M6\nG0 X1 Y1\n", FileKind.OTHER),
        (b"%PDF-1.4\n", FileKind.OTHER),
        (b"\x89PNG\r\n\x1a\n\0\0", FileKind.OTHER),
        (b'{"Header": {}}', FileKind.OTHER),
        (b"<?xml version='1.0'?>", FileKind.OTHER),
        (b"T1 0.300000mm  1x [21.614975 | 10.782706]\n; 70 drills\n", FileKind.OTHER),
        (b"D10 ROUND 0.1500mm x 0.1500mm\n", FileKind.OTHER),
        (b"", FileKind.OTHER),
    ],
)
def test_kinds_of_content(data: bytes, kind: FileKind) -> None:
    assert kind_of(data) is kind


def test_a_name_inside_the_file_tells_when_the_file_name_does_not() -> None:
    (found,) = recognise([file("5.gbr", b"%INSolderpaste Bottom*%\n" + PLAIN)])
    assert (found.role, found.how) == (R.BOTTOM_PASTE, "name inside the file: Solderpaste Bottom")


def test_an_unknown_gerber_file_is_ignored_with_a_warning() -> None:
    (found,) = recognise([file("layer7.gbr")])
    assert found.role is R.OTHER
    assert "neither its name nor its content" in found.problems[0].what
    (sideless,) = recognise([file("paste.gbr")])
    assert sideless.role is R.OTHER
    assert "not which side" in sideless.problems[0].what


@pytest.mark.parametrize("data", [b"", b"\x00\x01\x02garbage", b"hello\n"])
def test_a_damaged_paste_layer_keeps_its_role_so_that_it_cannot_vanish(data: bytes) -> None:
    (found,) = recognise([file("soil.gtp", data)])
    assert found.role is R.TOP_PASTE
    assert "named like top paste" in found.problems[0].what


def test_documents_named_after_a_layer_are_no_layer() -> None:
    assert (
        roles(
            file("top paste.pdf", b"%PDF-1.4"), file("top paste.png", b"\x89PNG\0"), file("Top.txt", b"hello")
        )
        == [R.OTHER] * 3
    )


def test_a_drill_file_named_like_a_layer_is_told() -> None:
    (found,) = recognise([file("soil.gtp", DRILL)])
    assert found.role is R.DRILL
    assert "holds Excellon" in found.problems[0].what


def test_an_override_wins_over_everything_and_sets_others_aside() -> None:
    found = recognise([file("a.gtp", x2("Paste,Top")), file("sub/odd.gm6")], {"odd.gm6": R.TOP_PASTE})
    assert [each.role for each in found] == [R.OTHER, R.TOP_PASTE]
    assert found[1].how == "given on the command line"
    assert "sub/odd.gm6 is top paste" in found[0].note
    assert not found[0].problems


def test_an_override_for_no_file_is_refused_with_a_hint() -> None:
    with pytest.raises(InputError, match=r"Did you mean 'soil\.GM1'"):
        recognise([file("soil.GM1")], {"soil.GM": R.OUTLINE})
    with pytest.raises(InputError, match="2 files are named"):
        recognise([file("a/x.gbr"), file("b/x.gbr")], {"x.gbr": R.OUTLINE})
    assert roles(file("a/x.gbr"), file("b/x.gbr", b"other" + PLAIN), **{"a/x.gbr": R.OUTLINE})[0] is R.OUTLINE


def test_two_equal_claims_to_one_layer_are_kept_and_told() -> None:
    found = recognise([file("rev1.gtp"), file("rev2.gtp", PLAIN + b"\n")])
    assert [each.role for each in found] == [R.TOP_PASTE, R.TOP_PASTE]
    assert "both claim to be top paste" in found[1].problems[0].what


def test_the_better_known_of_two_claims_wins() -> None:
    found = recognise([file("old.gtp"), file("new.gbr", x2("Paste,Top"))])
    assert [each.role for each in found] == [R.OTHER, R.TOP_PASTE]
    assert "claims to be top paste" in found[0].problems[0].what


def test_a_byte_for_byte_copy_is_set_aside_without_a_warning() -> None:
    assert roles(file("a.gtp"), file("copy/a.gtp")) == [R.TOP_PASTE, R.OTHER]
    assert not warnings_of(file("a.gtp"), file("copy/a.gtp"))


def test_holes_written_twice_are_read_once() -> None:
    found = recognise([file("pth.drl", DRILL), file("pth.gbr", x2("Plated,1,2,PTH,Drill"))])
    assert [each.role for each in found] == [R.DRILL, R.OTHER]
    assert roles(file("pth.gbr", x2("Plated,1,2,PTH,Drill"))) == [R.DRILL]


def test_two_copies_of_one_drill_file_make_no_hole_twice() -> None:
    files = [file("a/pth.drl", DRILL), file("b/pth.drl", DRILL), file("npth.drl", DRILL + b"\n")]
    found = recognise(files)
    assert [each.role for each in found] == [R.DRILL, R.OTHER, R.DRILL]
    assert found[1].note == "ignored: same as a/pth.drl"


def test_the_pad_list_of_an_earlier_plan_is_no_centroid_file() -> None:
    columns = ",".join(PAD_COLUMNS)
    assert roles(
        file("pads.csv", columns.encode() + b"\nR1-1,R1,1,,surface,1,2,0.3,0.05,0.05,dot,1,,\n")
    ) == [R.OTHER]


def test_a_job_file_tells_roles_when_the_files_do_not() -> None:
    job = {"FilesAttributes": [{"Path": "L1.gbr", "FileFunction": "Paste,Top"}, {"Path": 7}]}
    broken = file("x.gbrjob", json.dumps(job).encode())
    assert roles(file("L1.gbr"), broken) == [R.OTHER, R.OTHER]  # one bad entry: none of it is believed
    job["FilesAttributes"].pop()
    (found, _) = recognise([file("L1.gbr"), file("x.gbrjob", json.dumps(job).encode())])
    assert (found.role, found.how) == (R.TOP_PASTE, "Gerber job file")


def test_ignored_files_travel_with_their_reason() -> None:
    (found,) = recognise([SourceFile(name=".git/", data=b"", ignored="hidden file")])
    assert (found.role, found.note) == (R.OTHER, "ignored: hidden file")


@settings(deadline=None, max_examples=200)
@given(
    names=st.lists(st.text(min_size=1, max_size=30), max_size=4, unique=True),
    data=st.lists(
        st.one_of(st.binary(max_size=200), st.sampled_from([PLAIN, DRILL, NETS, CENTROIDS])),
        min_size=4,
        max_size=4,
    ),
)
def test_any_names_and_bytes_get_a_role(names: list[str], data: list[bytes]) -> None:
    files = [SourceFile(name=name, data=each) for name, each in zip(names, data, strict=False)]
    found = recognise(files)
    assert [each.file for each in found] == files
    assert all(isinstance(each.role, R) and each.how for each in found)


@pytest.mark.parametrize(
    ("name", "role"),
    [
        ("SOLDER_TOP.art", R.TOP_MASK),
        ("SOLDER_BOTTOM.art", R.BOTTOM_MASK),
        ("PASTE_TOP.art", R.TOP_PASTE),
        ("logger-solder side.gbr", R.BOTTOM_COPPER),
        ("logger-Front.gbr", R.TOP_COPPER),
        ("logger-Back.gbr", R.BOTTOM_COPPER),
        ("logger-Front Paste.gbr", R.TOP_PASTE),
        ("logger-Back Mask.gbr", R.BOTTOM_MASK),
        ("logger.tp", R.TOP_PASTE),
        ("logger.bp", R.BOTTOM_PASTE),
    ],
)
def test_names_of_more_design_programs_and_stencil_houses(name: str, role: R) -> None:
    assert roles(file(name)) == [role]


def test_what_a_layer_says_in_its_comments_goes_before_its_name() -> None:
    (found,) = recognise([file("logger.gtl", b"G04 Layer: TopPasteMaskLayer*\n" + PLAIN)])
    assert (found.role, found.how) == (R.TOP_PASTE, "its comment: TopPasteMaskLayer")
    assert "named like top copper" in found.problems[0].what


def test_a_comment_that_names_no_layer_leaves_the_name_its_say() -> None:
    assert roles(file("logger.gtl", b"G04 Layer: 1 of 2*\n" + PLAIN)) == [R.TOP_COPPER]


PROSE = (
    b"Part reference, X and Y of each part are in the other file.\nAsk the office for positions.\nThanks.\n"
)


@pytest.mark.parametrize("name", ["placement notes.txt", "notes.txt", "positions.md", "pick and place.csv"])
def test_a_text_about_parts_is_no_centroid_table(name: str) -> None:
    assert roles(file(name, PROSE)) == [R.OTHER]


def test_a_table_of_parts_is_one_by_any_name() -> None:
    assert roles(file("notes.txt", CENTROIDS), file("positions.txt", CENTROIDS)) == [R.CENTROID] * 2
