"""A fit to a further [[tuning.history]] entry of the profile's file; what stands there already stays as it is.

Which entries hold for which paste and tip is decided where profiles are read (`profile.tuned`).
"""

from collections.abc import Mapping, Sequence
from math import floor, log10

from pastewright.profile.covariance import covariance_keys, other_benches_rows
from pastewright.profile.keys import section_named
from pastewright.profile.model import OtherBench, Profile, TuningRecord
from pastewright.profile.new import toml_value
from pastewright.profile.read import parse_profile
from pastewright.profile.tuned import paste_key, tip_key
from pastewright.tune.fit.constants import constant_named
from pastewright.tune.fit.fitted import Fitted
from pastewright.tune.sheet.promise import Promise

SECTION = "tuning.history"
DIGITS = 5

# Constant of the fit → key of the file, and the key of its standard deviation.
KEYS: Mapping[str, tuple[str, str]] = {
    "frame_stiffness_n_mm": ("frame_stiffness_n_mm", "frame_stiffness_sd_percent"),
    "backlash_mm": ("backlash_mm", "backlash_sd_percent"),
    "gain": ("gain_percent", "gain_sd_percent"),
    "bubble_ul": ("bubble_ul", "bubble_sd_percent"),
    "seal_friction_n": ("seal_friction_n", "seal_friction_sd_n"),
    "consistency_kpa_sn": ("consistency_pa_sn", "consistency_sd_percent"),
    "flow_index": ("flow_index", "flow_index_sd_percent"),
    "yield_stress_kpa": ("yield_stress_pa", "yield_stress_sd_percent"),
    "dot_shape_ratio": ("dot_shape_ratio", "dot_shape_sd_percent"),
    "smallest_dot_bores": ("smallest_dot_bores", "smallest_dot_sd_percent"),
}


def tuning_entry(
    fitted: Fitted,
    profile: Profile,
    *,
    dated: str,
    sheets: Sequence[str],
    lot: str = "",
    temperature_c: float | None = None,
    scale: str = "travel",
    promise: Promise | None = None,
) -> dict[str, object]:
    """Return the entry in the units of the file, within the ranges that the file accepts.

    Its consistency is that of `middle_s` after the last sheet's first dot, the middle of its time.
    """
    entry: dict[str, object] = {
        "dated": dated,
        "paste": paste_key(profile.paste)[:200],
        "tip": tip_key(profile.tip),
        "lot": lot,
        "sheet": ", ".join(sheets)[:200],
        "dots": fitted.measured,
        "scale": scale,
        "spread_percent": _rounded(100 * fitted.spread),
    }
    if temperature_c is not None:
        entry["temperature_c"] = temperature_c
    if promise is not None:
        entry["pressure_doubt_percent"] = _rounded(100 * promise.pressure_doubt)
        entry["expected_error_percent"] = _rounded(100 * promise.error)
        entry["worst_error_percent"] = _rounded(100 * promise.worst)
    entry["laid_s"] = _rounded(fitted.middle_s)
    entry |= constant_keys(fitted.lasting, {name: fitted.estimate(name).sd for name in KEYS})
    entry["standing_percent"] = _rounded(100 * fitted.lasting["standing"])
    entry["standing_sd_percent"] = _rounded(100 * fitted.estimate("standing").sd)
    entry["building_s"] = _rounded(fitted.lasting["building_s"])
    entry["breaking_strain"] = _rounded(fitted.lasting["breaking_strain"])
    entry["fill_ml"] = _rounded(profile.barrel.fill_ul / 1000)
    names, matrix = fitted.lasting_covariance
    others = [
        OtherBench(likelihood=mode.weight, away=tuple(away.tolist()))
        for mode, away in zip(fitted.modes, fitted.modes_away, strict=True)
    ]
    more = {"other_benches": other_benches_rows(others)} if others else {}
    return {**entry, **covariance_keys(names, matrix.tolist()), **more}


def constant_keys(values: Mapping[str, float], sds: Mapping[str, float]) -> dict[str, object]:
    """Return constants and their standard deviations (as the fit sees them) as keys of an entry, within the ranges that
    the file accepts.
    """
    keys = {key.name: key for key in section_named(SECTION).keys}
    found: dict[str, object] = {}
    for name, (value_name, sd_name) in KEYS.items():
        key = keys[value_name]
        found[value_name] = _rounded(min(max(values[name] / key.scale, key.low), key.high))
        # Logarithms have their error in percent, the others in the value's own unit.
        found[sd_name] = _rounded((100 if constant_named(name).logarithmic else 1) * sds[name])
    return found


def with_entry(text: str, entry: Mapping[str, object]) -> str:
    """Return the profile's text with one more entry at its end; InputError should it not be a profile any more."""
    lines = [f"[[{SECTION}]]", *(f"{name} = {toml_value(value)}" for name, value in entry.items())]
    longer = text.rstrip("\n") + "\n\n" + "\n".join(lines) + "\n"
    parse_profile(longer, "")
    return longer


def drift_rows(history: Sequence[TuningRecord]) -> list[dict[str, str]]:
    """Return the history as rows of a table, oldest first."""
    return [
        {
            "dated": record.dated or "undated",
            "use": "yes" if record.use else "no",
            "paste": record.paste.split(";")[0],
            "lot": record.lot,
            "tip": record.tip.split(";")[0],
            "temperature [°C]": _shown(record.temperature_c, None),
            "stiffness [N/mm]": _shown(record.frame_stiffness_n_mm, record.frame_stiffness_sd),
            "air [µL]": _shown(record.bubble_ul, record.bubble_sd),
            "seal [N]": _shown_n(record),
            "K [Pa·sⁿ]": _shown(_times(record.consistency_kpa_sn, 1000), record.consistency_sd),
            "n": _shown(record.flow_index, record.flow_index_sd),
            "yield [Pa]": _shown(_times(record.yield_stress_kpa, 1000), record.yield_stress_sd),
            "backlash [µm]": _shown(_times(record.backlash_mm, 1000), record.backlash_sd),
            "gain [%]": _shown(_times(record.gain, 100), record.gain_sd),
            "shape": _shown(record.dot_shape_ratio, record.dot_shape_sd),
        }
        for record in history
    ]


def _shown_n(record: TuningRecord) -> str:
    if record.seal_friction_n is None:
        return ""
    sd = record.seal_friction_sd_n
    return f"{record.seal_friction_n:.2g}" + (f" ± {sd:.2g}" if sd is not None else "")


def _times(value: float | None, factor: float) -> float | None:
    return None if value is None else value * factor


def _shown(value: float | None, sd: float | None) -> str:
    if value is None:
        return ""
    return f"{value:.3g}" + (f" ± {sd:.0%}" if sd is not None else "")


def _rounded(value: float) -> float:
    """Return a number with as many digits as a fit deserves."""
    if value == 0:
        return 0.0
    return round(value, DIGITS - 1 - floor(log10(abs(value))))
