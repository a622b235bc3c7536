"""One folder for each decision, exchanged as a whole or not at all, whenever the writer is killed."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from kit.decisions.register import FILE
from kit.decisions.strict_json import RecordError

_NEW, _OLD, _LOCK = ".decision-new", ".decision-old", ".lock"


@dataclass
class DecisionFolders:
    """The folders of decisions below one folder, while one writer holds them.

    Parameters
    ----------
    out : Path
        The folder that holds one folder for each decision.
    leftovers : tuple of str
        What a writer that was killed had left, and what was done about it; in words.
    """

    out: Path
    leftovers: tuple[str, ...] = ()
    _staged: list[str] = field(default_factory=list)

    def stage(self, name: str) -> Path:
        """Make the folder in which a decision is put together.

        Parameters
        ----------
        name : str
            Name of the decision.

        Returns
        -------
        Path
            A folder with a copy of all that the decision's folder holds by now, to be filled; nobody else looks there.

        Raises
        ------
        RecordError
            If what stands in its place is no folder of that decision.
        """
        place, stage = self.out / name, self.out / f".{name}{_NEW}"
        if place.exists() and not (place.is_dir() and _holds_nothing_else(place)):
            raise RecordError(
                f"{place}: is there already and was not made by this command. Give another folder with --out."
            )
        if place.exists():
            shutil.copytree(place, stage, symlinks=True)
        else:
            stage.mkdir()
        self._staged.append(name)
        return stage

    def exchange(self) -> None:
        """Put every folder that was put together in its place, one after the other, each as a whole.

        Raises
        ------
        OSError
            If a folder cannot be moved; those moved before stay, and what stood in its own place comes back.
        """
        for name in self._staged:  # all are on the disk before the first moves
            _to_disk(self.out / f".{name}{_NEW}")
        for name in self._staged:
            place, old = self.out / name, self.out / f".{name}{_OLD}"
            if place.exists():
                os.replace(place, old)
            os.replace(self.out / f".{name}{_NEW}", place)
            _sync(self.out)
            if old.exists():
                shutil.rmtree(old)
        self._staged.clear()


@contextmanager
def decision_folders(out: str | Path) -> Iterator[DecisionFolders]:
    """Hold the folders of decisions below one folder for writing.

    Parameters
    ----------
    out : str or Path
        The folder; made if it is not there, and gone again if nothing comes into it.

    Yields
    ------
    DecisionFolders
        To stage and exchange; what was staged and not exchanged is gone at the end. A folder that a killed writer had
        put aside is back in its place, and what it had not finished is gone.

    Raises
    ------
    RecordError
        If `out` is no folder, or another writer holds it.

    Notes
    -----
    A folder is exchanged by two moves: what is there is put aside, and the new one takes its place. Killed between them,
    a writer leaves the old one whole beside its place, and the next writer moves it back. There is no moment at which
    neither of the two is there as a whole.
    """
    from filelock import FileLock, Timeout

    out = Path(out)
    if out.exists() and not out.is_dir():
        raise RecordError(
            f"{out}: is there already and was not made by this command. Give another folder with --out."
        )
    is_new = not out.exists()
    out.mkdir(parents=True, exist_ok=True)
    lock = FileLock(out / _LOCK)
    try:
        lock.acquire(timeout=0)
    except Timeout:
        raise RecordError(
            f"{out}: another run is writing there. Wait for its end, or give another folder with --out."
        ) from None
    try:
        folders = DecisionFolders(out, _cleared(out))
        try:
            yield folders
        finally:
            _cleared(out)
            if is_new and [one.name for one in out.iterdir()] == [_LOCK]:
                (out / _LOCK).unlink()
                out.rmdir()
    finally:
        lock.release()


def register_path(record: str | Path) -> Path:
    """Return where the register of a record is looked for, unless another one is named.

    Parameters
    ----------
    record : str or Path
        The decision record.

    Returns
    -------
    Path
        ``register.jsonl`` beside the record; beside its folder where that is the record's own, so that all decisions
        stand in one chain, and none is copied or moved with a folder.
    """
    path = Path(record)
    own = Path(os.path.abspath(path.parent)).name == path.stem
    return path.parent / (f"../{FILE}" if own else FILE)


def _holds_nothing_else(place: Path) -> bool:
    """Whether a folder holds the record of its name, or nothing at all."""
    return (place / f"{place.name}.json").is_file() or not any(place.iterdir())


def _cleared(out: Path) -> tuple[str, ...]:
    """Move back what was put aside, take away what was not finished, and say so."""
    told = []
    for old in sorted(out.glob(f".*{_OLD}")):
        name = old.name[1 : -len(_OLD)]
        if (out / name).exists():
            shutil.rmtree(old)
            told.append(f"{old.name} of a run that was ended was taken away: {name} is there as a whole")
        else:
            os.replace(old, out / name)
            told.append(
                f"{name} was moved back: a run was ended between putting it aside and putting the new one there"
            )
    for new in sorted(out.glob(f".*{_NEW}")):
        shutil.rmtree(new)
        told.append(f"{new.name} of a run that was ended before it was in its place was taken away")
    if told:
        _sync(out)
    return tuple(told)


def _to_disk(folder: Path) -> None:
    """Bring all files of a folder to the disk."""
    for path in sorted(folder.rglob("*")):
        if path.is_file() and not path.is_symlink():
            with path.open("rb" if os.name == "posix" else "rb+") as file:
                os.fsync(file.fileno())
        elif path.is_dir() and not path.is_symlink():
            _sync(path)
    _sync(folder)


def _sync(folder: Path) -> None:
    """Bring the names in a folder to the disk, where the system can."""
    if os.name == "posix":
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
