"""Long work in processes of its own: it tells how far it is, it can be given up, and it cannot hold up a run.

A task is a module's function with its arguments; both go to a worker process, which calls it with `tell` for its
stages and sends back what it returns. Giving a task up ends its process. Workers that are done wait for the next task,
so that only the first one pays for loading the libraries.
"""

import multiprocessing
import signal
import traceback
from collections import defaultdict
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from enum import StrEnum
from importlib import import_module
from itertools import count
from multiprocessing.connection import Connection
from threading import Lock, Thread
from typing import Any

from pastewright.page.answers import problem_rows
from pastewright.page.live import Live
from pastewright.problems import InputError, Problem

MOST_AT_ONCE = 2
"""Planning fills a core; the others wait in order (own choice)."""
MOST_MEMORY_BYTES = 6_000_000_000
"""Address space of a worker: the largest plan and a photo of 100 Mpx take half (own choice). A bomb ends its worker."""
MOST_KEPT = 20
"""Tasks that are over and still shown."""
TOPIC = "tasks"
PRELOADED = ("pastewright.plan.pipeline", "pastewright.board.gerber_set", "pastewright.board.pads.board")
"""Loaded by a worker that waits for the first task: a second or two that a person does not wait then."""

Tell = Callable[[str, int, int], None]
"""A task says with it: the stage in words, how many are done, of how many."""


class TaskState(StrEnum):
    """How a task stands."""

    WAITING = "waiting"
    AT_WORK = "at work"
    DONE = "done"
    FAILED = "failed"
    GIVEN_UP = "given up"


@dataclass(slots=True, kw_only=True)
class PageTask:
    """One piece of work. `problems` says why it failed."""

    id: int
    kind: str
    words: str
    function: Callable[..., Any]
    given: tuple[Any, ...]
    then: Callable[[Any], None]
    state: TaskState = TaskState.WAITING
    stage: str = ""
    done: int = 0
    of: int = 0
    problems: tuple[Problem, ...] = field(default=())


class Workroom:
    """The workers and their tasks, oldest first; the topic "tasks" shows them."""

    def __init__(self, live: Live) -> None:
        self._live = live
        self._tasks: dict[int, PageTask] = {}
        self._numbers = count(1)
        self._idle: list[_Worker] = []
        self._busy: dict[int, _Worker] = {}
        self._lock = Lock()
        self._keeping: defaultdict[str, Lock] = defaultdict(Lock)
        self._closed = False
        self._told()

    def begin(
        self,
        kind: str,
        words: str,
        function: Callable[..., Any],
        *given: Any,
        then: Callable[[Any], None],
    ) -> int:
        """Begin a task and return its number; `then` gets the result, in a thread of its own.

        A task of the same `kind` that is not over is given up: its result would be old already.
        """
        with self._lock:
            for old in list(self._tasks.values()):
                if old.kind == kind and old.state in (TaskState.WAITING, TaskState.AT_WORK):
                    self._give_up(old)
            task = PageTask(
                id=next(self._numbers), kind=kind, words=words, function=function, given=given, then=then
            )
            self._tasks[task.id] = task
            self._next()
        self._told()
        return task.id

    def goes_on(self, number: int) -> bool:
        """Tell whether a task is not over."""
        with self._lock:
            task = self._tasks.get(number)
            return task is not None and task.state in (TaskState.WAITING, TaskState.AT_WORK)

    def give_up(self, number: int) -> bool:
        """End a task; tells whether there was one that was not over."""
        with self._lock:
            task = self._tasks.get(number)
            if task is None or task.state not in (TaskState.WAITING, TaskState.AT_WORK):
                return False
            self._give_up(task)
            self._next()
        self._told()
        return True

    def close(self) -> None:
        """End all workers."""
        with self._lock:
            self._closed = True
            for worker in (*self._idle, *self._busy.values()):
                worker.process.kill()
            self._idle = []

    def warm(self) -> None:
        """Start a worker that waits, so that the first task finds the libraries loaded."""
        with self._lock:
            if not self._idle and not self._busy and not self._closed:
                self._idle.append(_Worker(preload=PRELOADED))

    def _give_up(self, task: PageTask) -> None:
        task.state = TaskState.GIVEN_UP
        worker = self._busy.pop(task.id, None)
        if worker is not None:
            worker.process.kill()

    def _next(self) -> None:
        """Give waiting tasks to workers, as far as there are any."""
        waiting = [task for task in self._tasks.values() if task.state is TaskState.WAITING]
        while waiting and len(self._busy) < MOST_AT_ONCE and not self._closed:
            task = waiting.pop(0)
            worker = self._idle.pop() if self._idle else _Worker()
            self._busy[task.id] = worker
            task.state = TaskState.AT_WORK
            Thread(target=self._attend, args=(task, worker), daemon=True).start()
        over = [
            task.id
            for task in self._tasks.values()
            if task.state not in (TaskState.WAITING, TaskState.AT_WORK)
        ]
        for number in over[:-MOST_KEPT]:
            del self._tasks[number]

    def _attend(self, task: PageTask, worker: "_Worker") -> None:
        """Hand a task to its worker and hear it out."""
        result: Any = None
        state = TaskState.FAILED
        problems: tuple[Problem, ...] = (_worker_gone(),)
        try:
            worker.pipe.send((task.function, task.given))
            while True:
                word, *rest = worker.pipe.recv()
                if word == "stage":
                    task.stage, task.done, task.of = rest
                    self._told()
                    continue
                if word == "done":
                    result, state, problems = rest[0], TaskState.DONE, ()
                else:
                    problems = tuple(rest[0])
                break
        except (EOFError, OSError):
            worker.process.kill()
        with self._lock:
            if task.state is TaskState.GIVEN_UP:
                return
            self._busy.pop(task.id, None)
            if worker.process.is_alive() and not self._closed:
                self._idle.append(worker)
        if state is TaskState.DONE:
            try:
                self._keep(task, result)
            except InputError as error:
                state, problems = TaskState.FAILED, error.problems
        self._end(task, state, problems)
        self._told()

    def _keep(self, task: PageTask, result: Any) -> None:
        """Hand a result on, those of a kind one after the other: that of a task which was given up for a newer one would
        be kept over the newer one's.
        """
        with self._keeping[task.kind]:
            with self._lock:
                if task.state is TaskState.GIVEN_UP:
                    return
            task.then(result)

    def _end(self, task: PageTask, state: TaskState, problems: tuple[Problem, ...]) -> None:
        with self._lock:
            if task.state is not TaskState.GIVEN_UP:  # it may have been, while its result was kept
                task.state, task.problems = state, problems
            self._next()

    def _told(self) -> None:
        self._live.show(TOPIC, self._rows)

    def _rows(self) -> list[dict[str, Any]]:
        with self._lock:
            return [
                {
                    "id": task.id,
                    "kind": task.kind,
                    "words": task.words,
                    "state": task.state,
                    "stage": task.stage,
                    "done": task.done,
                    "of": task.of,
                    "problems": problem_rows(task.problems),
                }
                for task in self._tasks.values()
            ]


class Kept:
    """A result that a worker made, kept as long as what it is made of stays the same."""

    def __init__(self, works: Workroom, kind: str, words: str) -> None:
        self._works, self._kind, self._words = works, kind, words
        self.result = b""
        self._made_of: object = None
        self._under_way: tuple[object, int] = (None, 0)
        self._wanted = object()
        """The task whose result counts: of one that was forgotten meanwhile none does."""
        self._asking = Lock()

    def begin(self, made_of: object, function: Callable[..., bytes], *given: Any) -> int:
        """Make the result of `function`; returns the task's number, 0 where it is made of just this already.

        Who asks while it is being made hears of the task that is under way.
        """
        wanted = object()

        def keep(result: bytes) -> None:
            self.result = result
            if self._wanted is wanted:
                self._made_of = made_of

        with self._asking:  # two windows that ask at once would each give up the other's
            if made_of == self._made_of:
                return 0
            old, number = self._under_way
            if not (old == made_of and self._works.goes_on(number)):
                self._wanted = wanted
                number = self._works.begin(self._kind, self._words, function, *given, then=keep)
                self._under_way = made_of, number
            return number

    def forget(self) -> None:
        """Make it anew the next time."""
        with self._asking:
            self._made_of, self._under_way, self._wanted = None, (None, 0), object()


def _worker_gone() -> Problem:
    return Problem(
        what="the work ended before it was done",
        mend="The file may need more memory than there is; try a smaller one, or the same command in a terminal.",
    )


class _Worker:
    """One process and the pipe to it."""

    def __init__(self, preload: tuple[str, ...] = ()) -> None:
        # A fresh interpreter: a fork of a process with threads may inherit locks that nobody frees.
        context = multiprocessing.get_context("spawn")
        self.pipe, theirs = context.Pipe()
        self.process = context.Process(target=_work, args=(theirs, preload), daemon=True)
        self.process.start()
        theirs.close()


def _work(pipe: Connection, preload: tuple[str, ...]) -> None:
    """Carry out tasks until nobody sends any more. Runs in the worker."""
    with suppress(OSError, EOFError):  # the server has gone
        _carry_out(pipe, preload)


def _carry_out(pipe: Connection, preload: tuple[str, ...]) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C at the terminal is the server's business
    _limit_memory()
    for module in preload:
        import_module(module)
    while True:
        function, given = pipe.recv()
        try:
            answer = ("done", function(*given, lambda *stage: pipe.send(("stage", *stage))))
        except BrokenPipeError:
            return
        except InputError as error:
            answer = ("failed", error.problems)
        except MemoryError:
            answer = ("failed", (_worker_gone(),))
        except Exception:
            traceback.print_exc()
            answer = ("failed", (_mistake(),))
        pipe.send(answer)


def _mistake() -> Problem:
    return Problem(
        what="this is a mistake of pastewright itself, not yours",
        mend="Its details stand in the terminal that runs the page; please report it.",
    )


def _limit_memory() -> None:
    try:
        import resource
    except ImportError:  # not on every system
        return
    resource.setrlimit(resource.RLIMIT_AS, (MOST_MEMORY_BYTES, MOST_MEMORY_BYTES))
