"""Owns trying states in the box: its kernel mounts what a cut left, and the program installed there reads it. Never
writes to a state while it is mounted."""

from . import host, sticks
from .post import STATION
from .told import RAW, Back

# One state: restored as it is, with what was removed too; then put in order as automount does before it mounts a
# stick, mounted as it does, and restored again.
TRY = """
export HOME=/root
at=/mnt/state; into=/dev/shm/state
on() {{ mount -t {kind} -o "$options" /dev/{disk} $at || exit 8; }}
off() {{ umount $at || exit 9; }}
back() {{
    counterfoil restore --drive $at --station {station} --into $into/$1 --with-removed --state $into/none \\
        >/dev/null 2>>$into/said
    echo "code $1 $?"
}}
options=$(/usr/libexec/counterfoil/automount options {kind})
rm -rf $into; mkdir -p $at $into/card/mail
[ {kind} != vfat ] || {{ on; back raw; off; }}
/usr/libexec/counterfoil/automount mend {disk} {kind} >>$into/said || exit 7
on; back plain; off
"""
# Then mended by `mirror`, with a new card's empty mailbox, and restored from its next mount.
MEND = """
on
COUNTERFOIL_PROGRAMS=/nowhere counterfoil mirror --drive $at --station {station} --mailbox $into/card/mail --state $into/state >>$into/said 2>&1
echo "code mirror $?"
off; on; back mended; off
"""
SUMS = """
cd $into && cat said >&2 && find . -type f ! -path './state/*' ! -name said -exec sha256sum {{}} +
"""
# Mending takes twice the time of looking: every so many states.
MENDED = 4


class Bench:
    """A stick that is given one state after another, without a partition table: nothing but the file system."""

    def __init__(self, post, kind, size):
        self.post = post
        self.kind = kind
        self.tried = 0
        path = post.folder / "state.raw"
        path.unlink(missing_ok=True)
        host.sh("truncate", "-s", str(size - sticks.BEGIN), path)
        self.stick = sticks.Stick(path, "STATE", "STATE")
        post.run("systemctl stop counterfoil-automount")
        post.plug(self.stick)
        self.disk = post.until_seen(self.stick)

    def put(self, image):
        """Makes the stick what a cut left of one with a partition table."""
        # The kernel forgets what it read of a disk when nobody has it open any more.
        with open(self.stick.path, "r+b") as file:
            file.write(image[sticks.BEGIN:])

    def restored(self, image):
        """What comes back of a state: as it is, after automount put it in order, of some also after `mirror` mended
        it."""
        self.put(image)
        self.tried += 1
        mend = self.tried % MENDED == 0
        script = (TRY + (MEND if mend else "") + SUMS).format(station=STATION, kind=self.kind, disk=self.disk)
        answer = self.post.asked(script, 120)
        codes, found = {}, {"raw": {}, "plain": {}, "mended": {}}
        for line in answer.out.splitlines():
            if line.startswith("code "):
                codes[line.split()[1]] = int(line.split()[2])
            else:
                which, _, path = line[66:].removeprefix("./").partition("/")
                found[which][path] = line[:64]
        wrong = {what: code for what, code in codes.items() if code not in (0, 1, 3)}
        if answer.code != 0 or wrong:
            raise host.Failed(f"exit code {answer.code} of a state's trial; commands that ended with another code than "
                              f"0, 1 or 3: {wrong or 'none'}\n{answer.err}")
        said = answer.err.strip()
        # Only of a FAT automount changes anything.
        names = {"raw": RAW} if self.kind == "vfat" else {}
        names |= {"plain": "", "mended": ", after it was mended"} if mend else {"plain": ""}
        return {name: Back(found[which], found[which], None, said) for which, name in names.items()}
