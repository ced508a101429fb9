"""Compiled loops: their kept machine code does, to the last bit, what Python does; and what is kept is looked at first."""

import subprocess
import sys
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest

from pastewright import machine_code
from pastewright.compiled import Compiled

SOURCE = '''
from math import exp, expm1, sqrt
from typing import NamedTuple
import numpy as np
from pastewright.compiled import entry, inner

TIMES = 3

class Pair(NamedTuple):
    first: np.ndarray
    second: float

@inner
def grown(value, by):
    return value * exp(by) + expm1(by / 7) ** 1.7 - sqrt(value)

@entry
def work(table, pair, both, count, whole, found):
    """What it does."""
    for i in range(table.shape[0]):
        for k in range(table.shape[1]):
            total = 0.0
            for _ in range(TIMES * count):
                total += grown(table[i, k] + pair.first[i], pair.second) / (both[0][k] + both[1])
            found[i, k] = total if whole else -total

@entry
def gives_back(values):
    return values.sum()

@entry
def makes_a_list(values, found):
    held = [0.0]
    for value in values:
        held.append(value)
    found[0] = held[-1]
'''


class Pair(NamedTuple):
    first: np.ndarray
    second: float


def arguments(order="C"):
    random = np.random.default_rng(6)
    table = np.array(random.random((4, 3)), order=order)
    return table, Pair(random.random(4), 0.3), (np.arange(3) + 1, 2), 2, True, np.zeros((4, 3))


@pytest.fixture
def module(tmp_path, monkeypatch):
    """A module of loops whose code is kept in the test's own folder, and how it is read anew."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    (tmp_path / "loops_of_a_test.py").write_text(SOURCE)

    def read(**changed):
        names = {"__name__": "loops_of_a_test", "__file__": str(tmp_path / "loops_of_a_test.py")}
        exec(compile(Path(names["__file__"]).read_text(), names["__file__"], "exec"), names)
        return names | changed

    return read


def kept(tmp_path):
    return sorted(tmp_path.rglob(f"*{machine_code.ENDING}"))


@pytest.fixture
def never_made(monkeypatch):
    def made(*_):
        raise AssertionError("it was compiled again")

    return lambda: monkeypatch.setattr(machine_code, "made", made)


@pytest.mark.parametrize("order", ["C", "F"])
def test_kept_code_does_what_python_does_to_the_last_bit(module, tmp_path, never_made, order):
    ours, plain, again = arguments(order), arguments(order), arguments(order)
    module()["work"](*ours)
    module()["work"].function(*plain)
    assert np.array_equal(ours[-1], plain[-1])
    assert len(kept(tmp_path)) == 1
    never_made()
    module()["work"](*again)
    assert np.array_equal(again[-1], plain[-1])
    assert plain[-1].all()


def test_other_types_source_or_numbers_are_other_code(module, tmp_path):
    work = module()["work"].function
    places = [machine_code.place_of(work, machine_code.types_of(arguments(order))) for order in ("C", "F")]
    work.__globals__["TIMES"] = 2  # a number may come from another file
    places.append(machine_code.place_of(work, machine_code.types_of(arguments())))
    source = tmp_path / "loops_of_a_test.py"
    source.write_text(source.read_text().replace("expm1(by / 7)", "expm1(by / 8)"))
    places.append(machine_code.place_of(module()["work"].function, machine_code.types_of(arguments())))
    assert len(set(places)) == 4
    assert machine_code.place_of(module()["work"].function, machine_code.types_of(arguments())) == places[-1]


def test_damaged_code_is_not_run(module, tmp_path):
    work = module()["work"]
    work(*arguments())
    (file,) = kept(tmp_path)
    place, whole = machine_code.place_of(work.function, machine_code.types_of(arguments())), file.read_bytes()
    for damaged in (b"", b"{}\n", whole[:-1], whole[:-1] + b"?", whole.replace(b'"sum"', b'"sun"')):
        file.write_bytes(damaged)
        assert machine_code.loaded(place, arguments()) is None
    file.write_bytes(whole)
    run = machine_code.loaded(place, found := arguments())
    assert run is not None
    run(*found)
    assert found[-1].all()


def test_where_nothing_lets_itself_be_written_it_still_runs(module, tmp_path, monkeypatch):
    (tmp_path / "__pycache__").write_text("no folder")
    (tmp_path / "cache").write_text("no folder")
    found, plain = arguments(), arguments()
    module()["work"](*found)
    module()["work"].function(*plain)
    assert np.array_equal(found[-1], plain[-1])
    assert kept(tmp_path) == []


def test_what_needs_more_than_mathematics_is_left_to_numba(module, tmp_path, monkeypatch):
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path / "numba"))
    names = module()
    assert names["gives_back"](np.arange(4.0)) == 6.0
    names["makes_a_list"](np.arange(4.0), found := np.zeros(1))
    assert found[0] == 3.0
    assert kept(tmp_path) == []


def test_code_that_calls_what_is_not_here_is_not_run():
    code = machine_code.MachineCode(data=b"", name="work", calls=("no_such_function_of_any_library",))
    assert machine_code.run_of(code, (1.0,)) is None


def test_other_values_are_refused(module):
    with pytest.raises(TypeError, match="not str"):
        module()["work"]("text")


def entries():
    from pastewright.inspect import search
    from pastewright.plunger import arrange, loops, played
    from pastewright.readback.machine import steps
    from pastewright.route import bound, improve
    from pastewright.tune.fit import chain

    return [
        (module.__name__, name)
        for module in (arrange, bound, chain, improve, loops, played, search, steps)
        for name, value in vars(module).items()
        if isinstance(value, Compiled)
    ]


def test_all_loops_write_what_they_find_and_give_nothing_back():
    found = entries()
    assert len(found) >= 12
    for module, name in found:
        hints = sys.modules[module].__dict__[name].function.__annotations__
        assert hints["return"] in (None, type(None), "None"), (module, name)


def test_kept_code_is_loaded_without_the_compiler(module, tmp_path):
    module()["work"](*arguments())
    script = (
        "import sys, numpy as np; from test_compiled import arguments; names = {'__name__': 'loops_of_a_test'}\n"
        f"file = {str(tmp_path / 'loops_of_a_test.py')!r}\n"
        "exec(compile(open(file).read(), file, 'exec'), names)\n"
        "names['work'](*arguments()); print(sorted({'numba', 'scipy', 'pytest'} & set(sys.modules)))"
    )
    told = subprocess.run(
        [sys.executable, "-c", script.replace("from test_compiled import arguments", ARGUMENTS)],
        capture_output=True,
        text=True,
        check=True,
    )
    assert told.stdout == "[]\n"


ARGUMENTS = (
    "from collections import namedtuple; Pair = namedtuple('Pair', 'first second')\n"
    "arguments = lambda: (np.ones((4, 3)), Pair(np.ones(4), 0.3), (np.arange(3) + 1, 2), 2, True, np.zeros((4, 3)))"
)
