"""Sounds laid down as files for a web server that hands them out itself: the program only says which.

A panel's program makes the files of a trial ahead, each slot with its own dither as ever, and answers a request with a
place instead of megabytes. A file's name is the slot's token, all files of a trial are equally long and are stamped
with one time, and each is gone when its trial is. A folder is a sitting's, under a name drawn for it.
"""

import os
import shutil
from collections.abc import Iterable
from concurrent.futures import CancelledError, Executor, Future
from pathlib import Path

from blindtest.errors import BlindtestError, Fault
from blindtest.session.player import BrowserPlayer, Sound, served_sound

__all__ = ["LaidPlayer", "clear_laid"]

MARK = "blindtest-sounds.txt"
"""Says that a folder is ours to empty."""
STAMP_S = 946_684_800
"""2000-01-01T00:00:00Z, of every file."""
WAIT_S = 6.0
"""For a file that waits to be made or is being made; then the program makes the sound itself and sends it. A page is
patient for 20 s: both fit in."""


def clear_laid(folder: Path) -> None:
    """Make the folder under which sittings lay their sounds, or empty it of what an earlier run left.

    Raises
    ------
    BlindtestError
        There is something in it that was not laid there by this program.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True, mode=0o750)
        held = sorted(path.name for path in folder.iterdir())
        if held and MARK not in held:
            raise BlindtestError(
                Fault(
                    problem="this folder holds something else",
                    file=str(folder),
                    remedy="name an empty folder for the sounds: it is emptied at each start",
                )
            )
        (folder / MARK).write_text("sounds of sittings under way; emptied at each start\n", encoding="utf-8")
        for name in held:
            if name != MARK:
                shutil.rmtree(folder / name)
    except OSError as reason:
        raise BlindtestError(
            Fault(
                problem=f"the folder for sounds can't be used: {reason.strerror or reason}",
                file=str(folder),
                remedy="give permission, or name another",
            )
        ) from reason


class LaidPlayer(BrowserPlayer):
    """Lays the files of the trials in hand, and says where each lies.

    Parameters
    ----------
    folder : of all sittings, which the web server reads
    name : of this sitting's folder: drawn, says nothing
    makers : threads that make files, so that an answer does not wait for sounds
    """

    def __init__(self, folder: Path, name: str, makers: Executor) -> None:
        super().__init__()
        self._folder = folder / name
        self._name = name
        self._makers = makers
        self._laid: dict[str, Future[None]] = {}
        self._sounds: dict[str, Sound] = {}

    def prepare(self, sounds: Iterable[Sound]) -> None:
        """Begin to lay these sounds, in their order, and remove all others."""
        wanted = {sound.token: sound for sound in sounds}
        self._sounds = wanted  # first: who removes a file looks here whether it is still wanted
        for token in [token for token in self._laid if token not in wanted]:
            self._remove(token)
        for token, sound in wanted.items():
            if token not in self._laid:
                self._laid[token] = self._makers.submit(self._lay, token, sound)

    def place(self, token: str) -> str | None:
        """Return where the file under `token` lies, below the folder of all sittings; None if it can't be had now."""
        laid = self._laid.get(token)
        if laid is None:
            return None
        try:
            laid.result(WAIT_S)
        except CancelledError:
            return None  # its trial is over, or it is made without a file
        except TimeoutError:
            laid.cancel()  # if nobody has begun it: made now by whoever asks, it need not be made twice
            return None
        except (BlindtestError, OSError):
            # It could not be read or written: tried anew when it is asked for again.
            if laid.done() and (sound := self._sounds.get(token)) is not None:
                self._laid[token] = self._makers.submit(self._lay, token, sound)
            return None
        return f"{self._name}/{token}.wav"

    def wav(self, token: str) -> bytes:
        """Return the file itself, for a request that did not come through the web server.

        Made now where none lies there yet, the same byte for byte.
        """
        sound, laid = self._sounds.get(token), self._laid.get(token)
        if sound is None:
            return super().wav(token)
        if laid is not None and laid.done() and not laid.cancelled() and laid.exception() is None:
            try:
                return (self._folder / f"{token}.wav").read_bytes()
            except FileNotFoundError:
                pass  # its trial has ended meanwhile
        return served_sound(sound)

    def close(self) -> None:
        """Remove all files of the sitting."""
        self._sounds = {}
        for token in list(self._laid):
            self._remove(token)
        shutil.rmtree(self._folder, ignore_errors=True)

    def _lay(self, token: str, sound: Sound) -> None:
        self._folder.mkdir(exist_ok=True, mode=0o750)
        part = self._folder / f"{token}.part"
        part.write_bytes(served_sound(sound))
        part.chmod(0o640)
        os.utime(part, (STAMP_S, STAMP_S))
        part.replace(self._folder / f"{token}.wav")

    def _remove(self, token: str) -> None:
        laid = self._laid.pop(token)
        laid.cancel()
        # Now, or as soon as it is made, if that is under way.
        laid.add_done_callback(lambda made: self._unlink(token))

    def _unlink(self, token: str) -> None:
        if token not in self._sounds:
            (self._folder / f"{token}.wav").unlink(missing_ok=True)
