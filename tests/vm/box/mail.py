"""Owns the messages: what they say, and what their bytes hash to. Never touches a mailbox."""

import hashlib
import io
import random
import tarfile

PEOPLE = ["Odalys Venn", "Tobin Marsh", "Ilse Quarry", "Benno Strand", "Maren Foss", "Pell Aldous"]
WORDS = ("water pump generator road bridge clinic roster diesel blankets relay noon evening shelter ferry "
         "harbour school north south culvert battery solar antenna repeater list medicine insulin children "
         "cattle tractor chain saw rope tarpaulin checked waiting closed open damaged repaired").split()


class Message:
    """A message with a name in the mailbox."""

    def __init__(self, name, octets):
        self.name = name
        self.octets = octets
        self.sha256 = hashlib.sha256(octets).hexdigest()


def messages(tag, count, size=None):
    """New messages; the tag makes their names and texts differ from any other's."""
    return [message(f"{tag}-{number:04}", size) for number in range(1, count + 1)]


def message(name, size=None):
    """A message as RFC 5322 has it, of some kilobytes or of exactly this many bytes."""
    chance = random.Random(name)
    sender, receiver = chance.sample(PEOPLE, 2)
    head = [f"From: {sender} <{address(sender)}>", f"To: {receiver} <{address(receiver)}>",
            f"Subject: {' '.join(chance.sample(WORDS, 4))}",
            f"Date: Sat, 14 Nov 2026 {chance.randrange(24):02}:{chance.randrange(60):02}:00 +0000",
            f"Message-ID: <{name}.{chance.getrandbits(48):x}@pier.example.org>",
            "MIME-Version: 1.0", "Content-Type: text/plain; charset=us-ascii", "", ""]
    text = "\r\n".join(head)
    length = size or chance.randrange(700, 4000)
    while len(text) < length:
        text += " ".join(chance.choices(WORDS, k=9)) + "\r\n"
    octets = text.encode()
    return Message(f"{name}.eml", octets if size is None else octets[:size])


def address(person):
    return person.split()[0].lower() + "@example.org"


def archive(mail):
    """Messages as one tar archive."""
    packed = io.BytesIO()
    with tarfile.open(fileobj=packed, mode="w", format=tarfile.USTAR_FORMAT) as tar:
        for one in mail:
            entry = tarfile.TarInfo(one.name)
            entry.size = len(one.octets)
            entry.mode = 0o600
            tar.addfile(entry, io.BytesIO(one.octets))
    return packed.getvalue()
