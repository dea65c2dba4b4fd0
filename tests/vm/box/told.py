"""Owns what was acknowledged when, and whether what came back is all of it. Never asks a box."""

import hashlib

# What is called so was restored before anything put the file system in order: not held to what was acknowledged,
# only counted.
RAW = "raw"


class Moment:
    """What was acknowledged at one mark."""

    def __init__(self, live, gone, contents):
        # Paths in the mailbox, and what is known of their copies.
        self.live = live
        # Paths that were acknowledged and left the mailbox since.
        self.gone = gone
        # All that was ever acknowledged.
        self.contents = contents


class Back:
    """What came back of a state: paths and digests, as two restores gave them, what the copies hash to, and
    what the program said."""

    def __init__(self, plain, everything, copies, said):
        self.plain = plain
        self.everything = everything
        self.digests = set(everything.values())
        self.copies = copies
        self.said = said


class Told:
    """The moments of a story; the first is the one before any mark."""

    def __init__(self, begin=None):
        self.moments = [begin or Moment({}, {}, frozenset())]

    def add(self, live):
        """Another moment, with these paths and digests acknowledged; its number."""
        last = self.moments[-1]
        gone = {path: digest for path, digest in (last.gone | last.live).items() if path not in live}
        self.moments.append(Moment(dict(live), gone, last.contents | set(live.values())))
        return len(self.moments) - 1

    def lost(self, number, back):
        """What was acknowledged by this moment and did not come back as it was."""
        now = self.moments[number]
        then = self.moments[min(number + 1, len(self.moments) - 1)]
        found = [f"{path}" for path, digest in now.live.items()
                 if not came_back(path, digest, then.live.get(path), back)]
        # A removed message may have been moved: its bytes are what counts.
        found += [f"{path}, removed" for path, digest in now.gone.items() if not was_kept(path, digest, now, back)]
        if back.copies is not None:
            found += [f"a copy of {digest[:8]}" for digest in now.contents - back.copies]
        return found


def came_back(path, digest, later, back):
    """Whether a path has its message again; while it is on its way to another state, the old or the new one."""
    if back.plain.get(path) == digest:
        return True
    if later == digest:
        return False
    return digest in back.digests or (later is not None and back.plain.get(path) == later)


def was_kept(path, digest, now, back):
    return back.everything.get(path) == digest or digest in back.digests or digest in now.live.values()


def digests(folder):
    """The paths below a folder of this computer, and what each file's bytes hash to."""
    return {str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
            for path in folder.rglob("*") if path.is_file()}
