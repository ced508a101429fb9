"""A view that several windows ask for at once is made once."""

from threading import Barrier, Thread
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
