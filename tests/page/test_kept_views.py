"""A view that several windows ask for at once is made once; the last word about a task is its last state."""

from threading import Barrier, Event, Thread
from time import sleep

from pastewright.page.live import Live
from pastewright.page.workers import Kept, Workroom

WINDOWS = 4


class SlowWorks(Workroom):
    """Takes its time to begin a task, so that all who ask do so meanwhile."""

    def __init__(self):
        super().__init__(Live())
        self.begun = 0

    def begin(self, _kind, _words, _function, *_given, then):
        sleep(0.05)
        self.begun += 1
        self.then = then
        return self.begun

    def goes_on(self, number):
        return number == self.begun


def test_windows_that_ask_at_once_wait_for_one_task():
    works = SlowWorks()
    view = Kept(works, "view", "Opening")
    together, numbers = Barrier(WINDOWS), []

    def ask():
        together.wait()
        numbers.append(view.begin("plan", bytes))

    threads = [Thread(target=ask) for _ in range(WINDOWS)]
    for each in threads:
        each.start()
    for each in threads:
        each.join()
    assert (numbers, works.begun) == ([1] * WINDOWS, 1)
    works.then(b"made")
    assert (view.begin("plan", bytes), view.result) == (0, b"made")
    assert view.begin("another plan", bytes) == 2


def test_what_was_forgotten_while_it_was_made_is_made_anew():
    works = SlowWorks()
    view = Kept(works, "view", "Opening")
    assert view.begin("plan", bytes) == 1
    old = works.then
    view.forget()
    old(b"of what was there before")
    assert view.begin("plan", bytes) == 2


class HeldLive(Live):
    """Holds the first thread that tells of a task at work, as a loaded machine may, until it is let go."""

    def __init__(self):
        super().__init__()
        self.held, self.go = Event(), Event()

    def tell(self, topic, data):
        if data and data[0]["state"] == "at work" and not self.held.is_set():
            self.held.set()
            assert self.go.wait(20)
        super().tell(topic, data)


def length(text, tell):
    tell("counting", 0, 1)
    return len(text)


def test_no_older_word_about_a_task_is_told_after_its_last():
    live = HeldLive()
    works = Workroom(live)
    kept = Event()
    asking = Thread(
        target=lambda: works.begin("count", "Counting", length, "paste", then=lambda _: kept.set())
    )
    asking.start()
    assert live.held.wait(20)  # the thread that began the task is held; the task itself goes on
    waited = kept.wait(2)
    live.go.set()
    asking.join()
    assert waited or kept.wait(60)
    for _ in range(400):
        if live.last("tasks")[0]["state"] == "done":
            break
        sleep(0.05)
    sleep(0.2)
    assert live.last("tasks")[0]["state"] == "done"
    works.close()
