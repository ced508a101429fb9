"""Customary names of fabrication files as tables: extension, words in the name, X2 file functions.

Sources: the file functions are those of the Gerber layer format specification, section 5.6.3
(".FileFunction"). Extensions and words are common practice, gathered from the exports of a dozen design
programs; nobody standardises them, so they rank below what a file says about itself.
"""

import re

from pastewright.board.model import LayerRole, Side

_R = LayerRole

_EXTENSION_TABLE = {
    # G, Top or Bottom, then Layer, Solder mask, Overlay, Paste: the most copied custom. Then: component and
    # solder side (cmp/sol); top and bottom with two letters (tsm); kind first (smt); stencil houses' (tp); words.
    _R.TOP_COPPER: "gtl cmp top",
    _R.TOP_MASK: "gts stc tsm smt stoptop",
    _R.TOP_SILK: "gto plc tsk sst positop",
    _R.TOP_PASTE: "gtp crc tsp spt tp tcream pastetop",
    _R.BOTTOM_COPPER: "gbl sol bot bottom",
    _R.BOTTOM_MASK: "gbs sts bsm smb stopbot",
    _R.BOTTOM_SILK: "gbo pls bsk ssb posibot",
    _R.BOTTOM_PASTE: "gbp crs bsp spb bp bcream pastebot",
    _R.OUTLINE: "gko gml dim outline boardoutline",
    # .txt is shared with everything else, so there content decides.
    _R.DRILL: "drl xln exc ncd tap npt rou fdr drill nc cnc",
    _R.NETLIST: "d356 ipc 356 d356a ipcd356 netlist",
    _R.CENTROID: "mnt mnb pnp xy xyrs pos",
}
EXTENSIONS = {extension: role for role, row in _EXTENSION_TABLE.items() for extension in row.split()}

EXTENSION_PATTERNS: tuple[tuple[re.Pattern[str], LayerRole], ...] = (
    (re.compile(r"gp?[0-9]{1,2}"), _R.INNER_COPPER),
    (re.compile(r"(?:in|ly|l)[0-9]{1,2}"), _R.INNER_COPPER),
)

UNSURE_EXTENSIONS: dict[str, str] = {
    # gm1 is the outline with some programs and a drawing with others: pasting does not hang on it, so ask.
    r"gm[0-9]{1,2}": "a mechanical layer; if it holds the outline, say so on the command line",
    r"mil": "a milling layer; if it holds the outline, say so on the command line",
    r"g[dg][0-9]?": "a drill drawing",
    r"(?:pdf|png|jpe?g|svg|dxf|dwg|stp|step|stl|wrl|doc|docx|odt|md|html?)": "a document or drawing",
}

SPREADSHEETS = frozenset({"xlsx", "xls", "ods"})
LAYER_EXTENSIONS = frozenset(
    {"gbr", "ger", "gb", "gbx", "pho", "art", "gdo", "fph", "gerber", "rs274x", "274x", "phd", "gm1"}
)
"""Extensions that say "a Gerber layer" but not which; words in the name must tell."""

SIDES: tuple[tuple[re.Pattern[str], Side], ...] = (
    (
        re.compile(
            r"\b(?:top|front|f|primary|upper|comp(?:onent)? ?side|cs)\b|top\b|\btop|\bt(?=cream|silk|stop)"
        ),
        Side.TOP,
    ),
    (
        re.compile(
            r"\b(?:bot|bottom|back|b|secondary|lower|solder ?side|ss)\b|bot\b|bottom\b|\bbot|\bb(?=cream|silk|stop)"
        ),
        Side.BOTTOM,
    ),
)

_COPPER: dict[Side | None, LayerRole] = {Side.TOP: _R.TOP_COPPER, Side.BOTTOM: _R.BOTTOM_COPPER}
WORDS: tuple[tuple[re.Pattern[str], dict[Side | None, LayerRole]], ...] = (
    # The first row that matches wins: "top paste mask" is paste, and the name of a project ("user board
    # F_Paste", "position sensor") does not hide the layer's own word.
    (
        re.compile(r"paste|\b[tb]?cream\b|\bstencil\b"),
        {Side.TOP: _R.TOP_PASTE, Side.BOTTOM: _R.BOTTOM_PASTE},
    ),
    (
        re.compile(
            r"mask\b|solder ?(?:stop|resist)|\bstop ?(?:top|bot)|\b(?:top|bot(?:tom)?|t|b) ?stop\b"
            # Named for the solder that it keeps off, beside a layer that is named paste.
            r"|\bsolder ?(?:top|bot(?:tom)?|front|back)\b|\b(?:top|bot(?:tom)?|front|back) ?solder$"
        ),
        {Side.TOP: _R.TOP_MASK, Side.BOTTOM: _R.BOTTOM_MASK},
    ),
    (
        re.compile(r"silk|\blegend\b|overlay|\bposi ?(?:top|bot)"),
        {Side.TOP: _R.TOP_SILK, Side.BOTTOM: _R.BOTTOM_SILK},
    ),
    (
        re.compile(r"edge ?cuts?|outline|\bprofile\b|\bdimensions?\b|board ?edge|\bcontour|\bborder\b"),
        {None: _R.OUTLINE},
    ),
    (
        re.compile(
            r"\b(?:inner|internal|midlayer|inner ?layer|internal ?plane|(?:in|int|mid|plane) ?(?=l?[0-9])) ?l?[0-9]{0,2}\b"
        ),
        {**_COPPER, None: _R.INNER_COPPER},
    ),
    (re.compile(r"copper|\bcu\b"), _COPPER),
    (
        re.compile(
            r"\b(?:drill|drl|hole|npth|pth) ?(?:map|draw(?:ing)?|guide|report|legend|symbols?)\b"
            r"|assembly|\bassy|courtyard|\b(?:crtyd|fab|fabrication|adhes(?:ive)?|adhesive|glue|comments)\b"
            r"|\b(?:eco[12]|margin|user|readme|keep ?out|keep ?in)\b"
        ),
        {None: _R.OTHER},
    ),
    (
        re.compile(
            r"\b(?:pick|placement|centroids?|pnp|positions?|pos|mount(?:smt)?|xy ?data|component ?list)\b"
        ),
        {None: _R.CENTROID},
    ),
    (re.compile(r"\b(?:ipc ?d? ?356a?|net ?list)\b"), {None: _R.NETLIST}),
    (
        re.compile(r"\bdrills?\b|\bnpth\b|\bpth\b|\bholes?\b|\brout(?:e|ing)?\b|thru ?hole"),
        {None: _R.DRILL},
    ),
    # "L2.gbr" alone may be inner or bottom copper, so it needs a side.
    (re.compile(r"\bl[0-9]{1,2}\b|\bsignal|\betch|conductor|\btracks?\b|\blayer\b"), _COPPER),
    # "board-Top.gbr": a side and nothing else is its copper.
    (re.compile(r"\b(?:top|bot|bottom|front|back|component ?side|solder ?side)$"), _COPPER),
)
_NEVER_GERBER = frozenset({_R.CENTROID, _R.NETLIST})

FUNCTIONS: dict[tuple[str, ...], LayerRole] = {
    ("copper", "top"): _R.TOP_COPPER,
    ("copper", "bot"): _R.BOTTOM_COPPER,
    ("copper", "inr"): _R.INNER_COPPER,
    ("paste", "top"): _R.TOP_PASTE,
    ("paste", "bot"): _R.BOTTOM_PASTE,
    ("soldermask", "top"): _R.TOP_MASK,
    ("soldermask", "bot"): _R.BOTTOM_MASK,
    ("legend", "top"): _R.TOP_SILK,
    ("legend", "bot"): _R.BOTTOM_SILK,
    ("profile",): _R.OUTLINE,
    ("plated",): _R.DRILL,
    ("nonplated",): _R.DRILL,
    ("mixedplating",): _R.DRILL,
}


def role_of_function(values: tuple[str, ...]) -> LayerRole:
    """Return the role of an X2 `.FileFunction` value such as ("Copper", "L1", "Top"); OTHER when it has none."""
    low = tuple(value.strip().lower() for value in values)
    for key, role in FUNCTIONS.items():
        if low[:1] == key[:1] and all(word in low for word in key[1:]):
            return role
    return LayerRole.OTHER


def spaced(name: str) -> str:
    """Return a name in lower case with its words set apart: "My_BoardTopPaste" -> "my board top paste"."""
    parted = re.sub(r"(?<=[a-z0-9])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])", " ", name)
    return " ".join(re.sub(r"[^A-Za-z0-9]+", " ", parted).lower().split())


def role_of_words(words: str, *, gerber: bool) -> tuple[LayerRole | None, str]:
    """Return the role that the words of a name tell, and the words that told it; None when they do not.

    `gerber` passes over what a Gerber file cannot be. A kind of layer that needs a side and has none gives
    None and the word.
    """
    side, side_word = None, ""
    for pattern, each in SIDES:
        match = pattern.search(words)
        # Both sides named: the later word is the nearer to the kind ("top-module bottom paste").
        if match and (side is None or match.start() > words.find(side_word)):
            side, side_word = each, match[0]
    for pattern, roles in WORDS:
        match = pattern.search(words)
        if not match or (gerber and roles.get(None) in _NEVER_GERBER):
            continue
        role = roles.get(side) or roles.get(None)
        told = f"{side_word} {match[0]}" if side in roles and side_word not in match[0] else match[0]
        return role, " ".join(told.split())
    return None, ""


def role_of_name(base_name: str, *, gerber: bool) -> tuple[LayerRole | None, str]:
    """Return the role that a file's name tells by custom, and what told it ("*.gtp"); None when it does not."""
    stem, dot, extension = base_name.rpartition(".")
    low = extension.lower()
    if not dot:
        stem, low = base_name, ""
    if low in EXTENSIONS:
        return EXTENSIONS[low], f"*.{extension}"
    for pattern, role in EXTENSION_PATTERNS:
        if pattern.fullmatch(low):
            return role, f"*.{extension}"
    role_by_words, told = role_of_words(spaced(stem), gerber=gerber)
    if told:
        return role_by_words, f"“{told}”"
    for unsure, note in UNSURE_EXTENSIONS.items():
        if re.fullmatch(unsure, low):
            return LayerRole.OTHER, note
    return None, ""
