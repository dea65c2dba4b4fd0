"""What the pages are looked at with. Never goes on without one of them: what cannot be asked has not been checked."""

import importlib.metadata
import os
import pathlib
import shutil
import subprocess

ROOT = pathlib.Path(__file__).resolve().parents[2]
CHROMIUM = "/usr/bin/chromium"
# Those the checks were written against.
PACKAGES = {"playwright": "1.65.2", "axe-playwright-python": "0.1.8"}
# A page that takes longer hangs.
PATIENCE = 60


class Missing(Exception):
    """What is needed is not here."""


class Failed(Exception):
    """A program did not do what it should."""


def check():
    for package, version in PACKAGES.items():
        try:
            found = importlib.metadata.version(package)
        except importlib.metadata.PackageNotFoundError:
            found = "none"
        if found != version:
            raise Missing(f"{package} {version} is needed and {found} is there: run tests/all, which installs it")
    for program, package in ((CHROMIUM, "chromium"), ("pdftotext", "poppler-utils"), ("pdfinfo", "poppler-utils")):
        if shutil.which(program) is None:
            raise Missing(f"{program} is not there: install the Debian package {package}")


def program():
    """The program: the one that is named, or a debug build, made if it is missing."""
    given = os.environ.get("COUNTERFOIL_PROGRAM")
    path = pathlib.Path(given) if given else ROOT / "target" / "debug" / "counterfoil"
    if not given and not path.exists():
        said("cargo", "build", "--locked", "--quiet", cwd=ROOT)
    if not path.exists():
        raise Missing(f"{path} is not there: build it, or name the program with COUNTERFOIL_PROGRAM")
    return path.resolve()


def said(*command, ends_with=(0,), **more):
    """What a program says on standard output; one that ends otherwise than it should is a failure."""
    words = [str(word) for word in command]
    try:
        done = subprocess.run(words, capture_output=True, timeout=600, **more)
    except (OSError, subprocess.TimeoutExpired) as error:
        raise Failed(f"{words[0]}: {error}") from error
    if done.returncode not in ends_with:
        raise Failed(f"{' '.join(words)} ended with {done.returncode}:\n{done.stderr.decode(errors='replace')}")
    return done.stdout.decode()
