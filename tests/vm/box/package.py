"""Owns the package under test: where it comes from, and a disk on which it is installed already.
Never installs it in another way than an administrator would."""

import hashlib
import os
import tempfile
from pathlib import Path

from . import host, image
from .post import Post


def package():
    """The Debian package: the one named in COUNTERFOIL_DEB, else built from this folder."""
    named = os.environ.get("COUNTERFOIL_DEB")
    if named:
        if not Path(named).is_file():
            raise host.Missing(f"COUNTERFOIL_DEB names {named}, and no such file is there")
        return Path(named)
    return host.ROOT / host.sh(host.ROOT / "packaging" / "build-deb").splitlines()[-1]


def installed(base, deb):
    """The box with the package installed and automount on, as it is after an orderly shutdown."""
    how = Path(__file__).with_name("post.py").read_bytes()
    mark = hashlib.sha256(deb.read_bytes() + how + str(base.disk).encode()).hexdigest()[:16]
    disk = host.CACHE / f"installed-{mark}.qcow2"
    if not disk.exists():
        for old in host.CACHE.glob("installed-*.qcow2"):
            old.unlink()
        with tempfile.TemporaryDirectory(dir=host.CACHE) as folder:
            post = Post(Path(folder), base)
            try:
                post.boot()
                post.install(deb)
                post.shut_down()
            except host.Failed as error:
                raise host.Failed(f"the package could not be put into the box: {error}\n{post.last_words()}") from error
            finally:
                post.machine.end()
            os.rename(post.machine.card, disk)
    return image.Image(base.kernel.parent, disk, "qcow2")
