"""The emulated box: a Debian with USB sticks, in a virtual machine, driven from outside.

- `host`: the tools needed here, where files are kept, the failures told apart
- `image`: the disk a box starts from
- `machine`: the virtual machine: power, USB sockets
- `agent`: commands run inside
- `sticks`: the sticks as files of this computer
- `mail`: messages of people who do not exist
- `post`: the words that the stories are told in
- `lanes`: stories run side by side
- `blocklog`: the log of every write and flush of a stick
- `states`: what a cut may leave of a log
- `told`: what was acknowledged when, and whether it came back
- `replay`, `bench`: states tried on this computer, and in the box
"""
