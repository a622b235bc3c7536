"""A chain of what was decided and signed, whose short code a person can keep on paper.

Every entry holds the digest of the entry before it, so that none can be altered, taken out, put elsewhere or put in between
without the codes of all later ones changing. What it cannot prove: that the day on an entry is true, and that an author who
rewrites all of it before anyone else has kept a code did not do so. Keep the code of the head outside, or give it to somebody.
"""

from __future__ import annotations

import base64
import datetime as dt
import json
import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from kit.decisions.form import digest_of
from kit.decisions.record_file import as_record, read_contents
from kit.decisions.strict_json import RecordError, file_bytes, json_object
from kit.numerics.plain_text import plain_text

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

FILE = "register.jsonl"
"""Name of the register in a folder of decisions."""

CANNOT_PROVE = (
    "The register cannot prove that a day is true, nor that nobody rewrote all of it before a code of its head was kept "
    "elsewhere: keep the code on paper, or send it to somebody."
)
"""Said with every verification."""

MOST_BYTES = 200_000_000
"""An entry has some 500 bytes; a register that is longer than this is not read [bytes]."""

_START = "0" * 64
_BEGINS = b'{"number":'
_KEY_BYTES = 100_000  # a key has some 120
_CODE_BYTES = 10
_SHA256 = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]


class Entry(BaseModel):
    """One line of a register.

    A decision was entered, or somebody signed one. `digest` is that of the record, `made_on` the day on which the record
    says that it was made, `entered_on` the day of this entry by the clock of that machine.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    number: Annotated[int, Field(ge=1, description="place in the chain, from 1")]
    before: Annotated[_SHA256, Field(description="digest of the entry before; zeros for the first")]
    what: Annotated[Literal["decision", "sign-off"], Field(description="what is entered")]
    name: Annotated[str, Field(description="name of the decision")]
    digest: Annotated[_SHA256, Field(description="digest of its record")]
    known_on: Annotated[dt.date, Field(description="day whose knowledge was used")]
    made_on: Annotated[dt.date | None, Field(description="day on which the record says it was made")] = None
    entered_on: Annotated[dt.date, Field(description="day of this entry")]
    role: Annotated[str, Field(description="who signed, by role")] = ""
    note: Annotated[str, Field(description="what the signer adds")] = ""
    key: Annotated[str, Field(description="public key of an Ed25519 signature, in hex")] = ""
    signature: Annotated[str, Field(description="signature of the digest of the entry, in hex")] = ""

    @cached_property
    def own_digest(self) -> str:
        """SHA-256 of the entry without its signature [64 hexadecimal digits]."""
        return digest_of({"entry": self.model_dump(mode="json", exclude={"signature"})})

    @property
    def code(self) -> str:
        """Short code for paper: 80 bits of the digest in letters and figures, by fours."""
        letters = base64.b32encode(bytes.fromhex(self.own_digest)[:_CODE_BYTES]).decode("ascii")
        return "-".join(letters[k : k + 4] for k in range(0, len(letters), 4))


@dataclass(frozen=True)
class Verification:
    """What a register withstood.

    Parameters
    ----------
    entries : tuple of Entry
        Entries up to the first broken link.
    problems : tuple of str
        What is wrong, the first broken link first; none where all holds.
    notes : tuple of str
        What is no fault but must be said.
    """

    entries: tuple[Entry, ...]
    problems: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def holds(self) -> bool:
        """Whether nothing is wrong."""
        return not self.problems

    @property
    def head(self) -> str:
        """Code of the last entry; blank where there is none."""
        return self.entries[-1].code if self.entries else ""

    def __repr__(self) -> str:
        """Return one line."""
        return f"Verification({len(self.entries)} entries, head {self.head}, {len(self.problems)} problems)"


def register_add(
    register: str | Path, record: str | Path, *, key: str | Path | None = None, on: dt.date | None = None
) -> Entry:
    """Enter a decision at the end of a register.

    Parameters
    ----------
    register : str or Path
        The register; made if it is not there.
    record : str or Path
        The decision record. It must match its own digest.
    key : str or Path, optional
        File with an Ed25519 private key (PEM) that signs the entry.
    on : date, optional
        Day of the entry; default today.

    Returns
    -------
    Entry
        The new head. The same record entered again gives the entry that is there.

    Raises
    ------
    RecordError
        If the record does not match its digest, the chain is broken, or the file cannot be written.
    """
    data = _sound(record)
    fields = {
        "what": "decision",
        "name": data.name,
        "digest": data.digest,
        "known_on": data.known_on,
        "made_on": data.made_on,
    }
    return _append(Path(register), fields, key=key, on=on, once=True)


def sign_off(
    register: str | Path,
    record: str | Path,
    *,
    role: str,
    note: str = "",
    on: dt.date | None = None,
    key: str | Path | None = None,
) -> Entry:
    """Enter that somebody signs a decision.

    Parameters
    ----------
    register : str or Path
        The register. A record that is not in it yet is entered before.
    record : str or Path
        The decision record, whose digest is signed.
    role : str
        Who signs, by role.
    note : str
        What the signer adds.
    on : date, optional
        Day; default today.
    key : str or Path, optional
        File with an Ed25519 private key (PEM) that signs the entry.

    Returns
    -------
    Entry
        The new head.

    Raises
    ------
    RecordError
        If the role is blank, role or note are no single line of plain text, or as for `register_add`.
    """
    if not role.strip():
        raise RecordError("`role` must say who signs, such as 'certifying engineer'. Got a blank one.")
    for name, text in (("role", role), ("note", note)):
        if plain_text(text) != text or set(text) & set("\n\t"):
            raise RecordError(f"`{name}` must be one line of plain text. Got {text[:80]!r}.")
    entered = register_add(register, record, key=key, on=on)
    names = ("name", "digest", "known_on", "made_on")
    fields = {"what": "sign-off", "role": role, "note": note} | {
        name: getattr(entered, name) for name in names
    }
    return _append(Path(register), fields, key=key, on=on)


def sign_offs_of(register: str | Path, digest: str) -> tuple[Entry, ...]:
    """Return who signed a record.

    Parameters
    ----------
    register : str or Path
        The register; one that is not there has no entries.
    digest : str
        Digest of the record.

    Returns
    -------
    tuple of Entry
        Sign-offs in their order.

    Raises
    ------
    RecordError
        If the register cannot be read.
    """
    path = Path(register)
    if not path.exists():
        return ()
    return tuple(
        one for one in verify_register(path).entries if one.what == "sign-off" and one.digest == digest
    )


def verify_register(
    register: str | Path,
    *,
    head: str | None = None,
    folder: str | Path | None = None,
    signer: str | Path | None = None,
) -> Verification:
    """Check every link of a register.

    Parameters
    ----------
    register : str or Path
        The register.
    head : str, optional
        Code that was kept elsewhere; upper or lower case, with or without dashes. The chain must hold its entry: as
        the head, or further back where entries were added since.
    folder : str or Path, optional
        Folder in which the records are looked up by name; each that is there must be the one that was entered.
    signer : str or Path, optional
        File with the Ed25519 public key (PEM) by which every entry must be signed.

    Returns
    -------
    Verification
        The entries, and the first broken link by number.

    Raises
    ------
    RecordError
        If the file cannot be read, or a package that signatures need is missing.
    """
    entries, problems, notes = _read(Path(register))
    for k, entry in enumerate(entries):
        if words := _broken(entry, entries[k - 1] if k else None, k + 1):
            problems = [words, *problems]
            entries = entries[:k]
            break
    entered: dict[str, Entry] = {}
    for entry in entries:
        if entry.what == "decision":
            entered.setdefault(entry.digest, entry)
        elif entry.digest not in entered:
            problems.append(
                f"entry {entry.number} signs a record of {entry.name} that no entry before it enters"
            )
        elif words := _said_otherwise(entry, entered[entry.digest]):
            problems.append(
                f"entry {entry.number} ({entry.name}) signs the record of entry {entered[entry.digest].number}, of which it says "
                f"otherwise: {words}"
            )
        if entry.entered_on > dt.date.today():
            notes.append(
                f"entry {entry.number} ({entry.name}) is dated {entry.entered_on}, which by the clock of this machine is still to come"
            )
        if entry.what == "decision" and entry.made_on is not None and entry.known_on < entry.made_on:
            notes.append(
                f"entry {entry.number}, {entry.name}: on what was known on {entry.known_on}, but made on {entry.made_on}"
            )
    if head is not None:
        problems += _held_against_code(entries, head, notes)
    if folder is not None:
        problems += _held_against_files(entries, Path(folder), notes)
    signed = [entry for entry in entries if entry.key or entry.signature]
    if signed or signer is not None:
        problems += _signatures(entries, signer)
    return Verification(tuple(entries), tuple(problems), tuple(notes))


def _said_otherwise(entry: Entry, other: Any) -> str:
    """Say where an entry and the record that it is about have other names or days."""
    pairs = ((name, getattr(entry, name), getattr(other, name)) for name in ("name", "known_on", "made_on"))
    return "; ".join(f"{name} {one} there, {two} here" for name, two, one in pairs if one != two)


def _sound(record: str | Path) -> Any:
    contents = read_contents(record)
    data = as_record(contents, record)
    if data.digest != digest_of(contents):
        raise RecordError(
            f"{record}: does not match its own digest: it was altered. Restore the file from its source."
        )
    return data


def _read(path: Path) -> tuple[list[Entry], list[str], list[str]]:
    """Entries that can be read, what is wrong with the first that cannot, and what a killed writer left."""
    *lines, rest = file_bytes(path, MOST_BYTES, "a register").split(b"\n")
    notes = ["an unfinished last line, of a writer that was stopped, counts for nothing"] if rest else []
    entries: list[Entry] = []
    for number, line in enumerate(lines, 1):
        try:
            entries.append(_entry(json_object(line, f"line {number}", "an entry")))
        except (RecordError, ValidationError) as error:
            first = str(error).splitlines()[0] if isinstance(error, RecordError) else error.errors()[0]["msg"]
            return entries, [f"first broken link: line {number} is no entry ({first})"], notes
    if rest and rest[: len(_BEGINS)] != _BEGINS[: len(rest)]:
        return (
            entries,
            [f"first broken link: line {len(lines) + 1} is no entry, nor the beginning of one"],
            [],
        )
    return entries, [], notes


def _entry(contents: dict[str, Any]) -> Entry:
    """Read an entry that says everything as it was written: a number as a number, a day as a day."""
    entry = Entry.model_validate_json(json.dumps(contents))
    written = entry.model_dump(mode="json")
    for name, value in contents.items():
        if type(value) is not type(written[name]) or value != written[name]:
            raise RecordError(f"{name} {str(value)[:80]!r} is not as entries are written")
    return entry


def _broken(entry: Entry, before: Entry | None, number: int) -> str:
    """Say how an entry does not follow the one before it."""
    if entry.number != number:
        return f"first broken link: entry {entry.number} stands in place {number}: entries were taken out, added or put elsewhere"
    if entry.before != (_START if before is None else before.own_digest):
        where = "the start" if before is None else f"entry {before.number} as it stands"
        return f"first broken link: entry {number} ({entry.name}) does not follow {where}: one of the two was altered"
    if before is not None and entry.entered_on < before.entered_on:
        return f"first broken link: entry {number} ({entry.name}) is dated {entry.entered_on}, before entry {before.number} of {before.entered_on}"
    if entry.made_on is not None and entry.entered_on < entry.made_on:
        return (
            f"first broken link: entry {number} ({entry.name}) is dated {entry.entered_on}, before {entry.made_on}, on which the "
            "record says that it was made"
        )
    return ""


def _held_against_code(entries: list[Entry], head: str, notes: list[str]) -> list[str]:
    wanted = head.upper().replace("-", "").replace(" ", "")
    for entry in entries:
        if entry.code.replace("-", "") == wanted:
            later = len(entries) - entry.number
            notes.append(
                f"the code kept is that of entry {entry.number} of {len(entries)}: {later} were added since"
            )
            return []
    return [
        f"the code kept ({head}) is that of no entry: the register was rewritten or cut since, or it is another one"
    ]


def _held_against_files(entries: list[Entry], folder: Path, notes: list[str]) -> list[str]:
    """Compare the records of a folder with the digests entered last for their names."""
    problems = []
    last = {entry.name: entry for entry in entries if entry.what == "decision"}
    files: dict[str, list[Path]] = {}  # a second file of a name may not stand in for the one that is read
    for path in sorted([*folder.glob("*.json"), *folder.glob("*/*.json")]):
        files.setdefault(path.stem, []).append(path)
    for name, entry in last.items():
        if name not in files:
            problems.append(
                f"entry {entry.number}: the record {name} is not in {folder}: it was removed or renamed"
            )
        for path in files.get(name, []):
            try:
                record = _sound(path)
            except RecordError as error:
                problems.append(f"entry {entry.number}: {error}")
                continue
            if record.digest != entry.digest:
                problems.append(
                    f"entry {entry.number}: {path.relative_to(folder)} is not the record that was entered: it was altered or "
                    "exchanged"
                )
            elif words := _said_otherwise(entry, record):
                problems.append(
                    f"entry {entry.number} says otherwise than its record {path.relative_to(folder)}: {words}"
                )
    known = {entry.digest for entry in entries}
    for path in (path for name, paths in files.items() if name not in last for path in paths):
        try:
            if _sound(path).digest not in known:
                notes.append(f"{path.name} is in no entry of the register")
        except RecordError:
            continue  # no record: a summary, for one
    return problems


@contextmanager
def _locked(path: Path) -> Iterator[None]:
    """Let one writer at a time go on; the lock ends with the process, however it ends."""
    from filelock import FileLock

    with FileLock(path.with_name(f".{path.name}.lock")):
        yield


def _append(
    path: Path, fields: dict[str, Any], *, key: str | Path | None, on: dt.date | None, once: bool = False
) -> Entry:
    private = None if key is None else _private_key(Path(key))
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with _locked(path):
            path.touch()
            found = verify_register(path)
            if found.problems:
                raise RecordError(
                    f"{path}: nothing is added to a broken register: {found.problems[0]}. Restore it from a copy."
                )
            same = [one for one in found.entries if one.what == "decision" and one.digest == fields["digest"]]
            if once and same:
                return same[0]
            last = found.entries[-1] if found.entries else None
            today = on or dt.date.today()
            entry = Entry(
                number=len(found.entries) + 1,
                before=_START if last is None else last.own_digest,
                entered_on=today,
                key="" if private is None else _hex_of(private),
                **fields,
            )
            if words := _broken(entry, last, entry.number):
                raise RecordError(f"{path}: {words}. Give the day of today, or set the clock right.")
            if private is not None:
                entry = entry.model_copy(
                    update={"signature": private.sign(bytes.fromhex(entry.own_digest)).hex()}
                )
            _write_line(path, entry.model_dump_json() + "\n")
            return entry
    except OSError as error:
        raise RecordError(
            f"{path}: cannot be written ({error.strerror}). Give a path that can be written to."
        ) from None


def _write_line(path: Path, line: str) -> None:
    """Add one line behind the last whole one, on the disk before it counts as written."""
    with path.open("r+b") as file:
        content = file.read()
        file.seek(content.rfind(b"\n") + 1)
        file.truncate()
        file.write(line.encode("utf-8"))
        file.flush()
        os.fsync(file.fileno())


def _package() -> Any:
    try:
        from cryptography.hazmat.primitives import serialization
    except ImportError:
        raise RecordError(
            'signatures need the package cryptography, which is not installed. Install it with: pip install "skin-findings-kit[sign]"'
        ) from None
    return serialization


def _private_key(path: Path) -> Ed25519PrivateKey:
    return _loaded(path, "private")


def _loaded(path: Path, side: str) -> Any:
    serialization = _package()
    from cryptography.hazmat.primitives.asymmetric import ed25519

    must = f"{path}: must hold an Ed25519 {side} key as PEM without a password"
    kind = ed25519.Ed25519PrivateKey if side == "private" else ed25519.Ed25519PublicKey
    raw = file_bytes(path, _KEY_BYTES, "a key")
    try:
        key = (
            serialization.load_pem_private_key(raw, None)
            if side == "private"
            else serialization.load_pem_public_key(raw)
        )
    except (ValueError, TypeError):
        raise RecordError(f"{must}. Make one with: openssl genpkey -algorithm ed25519") from None
    if not isinstance(key, kind):
        raise RecordError(f"{must}. It holds a key of another kind.")
    return key


def _hex_of(key: Any) -> str:
    serialization = _package()
    public = key.public_key() if hasattr(key, "public_key") else key
    raw = public.public_bytes(serialization.Encoding.Raw, serialization.PublicFormat.Raw)
    return raw.hex()


def _signatures(entries: list[Entry], signer: str | Path | None) -> list[str]:
    """Check the signature of each signed entry, or of all by one key."""
    _package()
    from cryptography.exceptions import InvalidSignature
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    wanted = None if signer is None else _hex_of(_loaded(Path(signer), "public"))
    problems = []
    for entry in entries:
        if wanted is not None and entry.key != wanted:
            problems.append(f"entry {entry.number} ({entry.name}) is not signed by that key")
        elif entry.key or entry.signature:
            try:
                public = Ed25519PublicKey.from_public_bytes(bytes.fromhex(entry.key))
                public.verify(bytes.fromhex(entry.signature), bytes.fromhex(entry.own_digest))
            except (InvalidSignature, ValueError):
                problems.append(f"entry {entry.number} ({entry.name}) has a signature that is not of its key")
    return problems
