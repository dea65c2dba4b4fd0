"""Owns running stories side by side and saying how they went. Never knows what a story tells."""

import queue
import shutil
import threading
import time
import traceback

from . import host, machine
from .post import Post

# Machines at once that are busy: as many as this kind of test may take of two cores. Beside them goes one whose story
# mostly waits.
LANES = 2


class Story:
    """A story, and the disk it begins with."""

    def __init__(self, tell, bare=False, waits=False):
        self.tell = tell
        self.bare = bare
        self.waits = waits
        self.name = tell.__name__.replace("_", "-")


STORIES = []


def story(tell):
    """Marks a story that begins with the package installed."""
    STORIES.append(Story(tell))
    return tell


def waiting_story(tell):
    """Marks one that does little else than wait."""
    STORIES.append(Story(tell, waits=True))
    return tell


def bare_story(tell):
    """Marks a story that begins with a box without the package."""
    STORIES.append(Story(tell, bare=True))
    return tell


class Run:
    """All stories of one run."""

    def __init__(self, base, ready, deb, keep, all_states):
        self.base = base
        self.ready = ready
        self.deb = deb
        self.keep = keep
        self.all_states = all_states
        self.print = threading.Lock()
        self.passed = 0
        self.failed = 0

    def all(self, stories):
        """Tells every story and prints how it went."""
        busy, waiting = queue.SimpleQueue(), queue.SimpleQueue()
        for one in stories:
            (waiting if one.waits else busy).put(one)
        lanes = [threading.Thread(target=self.lane, args=(told,), daemon=True) for told in [busy] * LANES + [waiting]]
        for lane in lanes:
            lane.start()
        for lane in lanes:
            lane.join()
        print(f"{self.passed} passed, {self.failed} failed", flush=True)
        return self.failed == 0 and self.passed == len(stories)

    def lane(self, told):
        while True:
            try:
                self.one(told.get_nowait())
            except queue.Empty:
                return

    def one(self, story):
        folder = host.CACHE / "runs" / story.name
        shutil.rmtree(folder, ignore_errors=True)
        folder.mkdir(parents=True)
        begun = time.monotonic()
        post = Post(folder, self.base if story.bare else self.ready)
        post.deb = self.deb
        post.all_states = self.all_states
        trouble = None
        try:
            story.tell(post)
        except Exception as error:  # A fault of the test itself fails its story too, and no other.
            trouble = f"{error}" if isinstance(error, host.Failed) else traceback.format_exc()
            trouble += "\n" + post.last_words()
        finally:
            post.machine.end()
        took = time.monotonic() - begun
        with self.print:
            print(f"{'FAILED' if trouble else 'ok'}  {story.name}  {took:.0f} s", flush=True)
            for line in post.figures + (trouble.splitlines() if trouble else []):
                print(f"      {line}", flush=True)
            self.failed += trouble is not None
            self.passed += trouble is None
        if not self.keep:
            shutil.rmtree(folder, ignore_errors=True)


def end():
    """Ends what still runs."""
    machine.end_all()
