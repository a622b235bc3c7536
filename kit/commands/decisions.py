"""Commands about decisions that were made: evidence packs, documents, the register and sign-offs."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, cast

import typer

from kit.commands.shell import (
    NO,
    AsJson,
    Source,
    Strict,
    bad_input,
    load_aside,
    print_json,
    say,
    writable_file,
    writable_folder,
)
from kit.numerics.forked import forked_map

if TYPE_CHECKING:
    from kit.decisions import Entry, Rerun
    from kit.findings import Fleet
    from kit.programmes import Tornado


@contextmanager
def opened(record: Path, source: str | None, *, strict: bool) -> Iterator[tuple[Path, Fleet]]:
    """Give a record and the data, out of its evidence pack where no data are named.

    Parameters
    ----------
    record : Path
        The decision record, or its evidence pack.
    source : str or None
        The dataset; None for a pack.
    strict : bool
        Whether rejected rows stop it.

    Yields
    ------
    tuple of Path and Fleet
        The record's file, and the dataset.

    Raises
    ------
    RecordError
        If there are no data.
    """
    from kit.decisions import RecordError, open_pack

    if source is None:
        if record.suffix != ".zip":
            raise RecordError(
                f"{record}: give the dataset, too. Only an evidence pack (.zip) holds its own data."
            )
        with open_pack(record) as held:
            yield held
        return
    yield record, load_aside(source, strict=strict)


def pack(
    record: Annotated[Path, typer.Argument(help="The decision record.")],
    source: Source,
    out: Annotated[Path | None, typer.Option(help="The archive; default: beside the record.")] = None,
) -> None:
    """Write the evidence pack of a decision: record, question, rows known then, PODs, cautions, versions."""
    with bad_input():
        from kit.decisions import pack_decision

        writable_file(out, "--out")
        path = pack_decision(record, load_aside(source, strict=False), out)
    say(
        f"Evidence pack: {path} ({path.stat().st_size / 1e6:.2f} MB). Check it anywhere with: kit rerun {path}"
    )


register_app = typer.Typer(
    no_args_is_help=True, help="Keep decisions in a chain that nobody can alter unseen, and check it."
)
RegisterFile = Annotated[
    Path | None,
    typer.Option(
        "--register",
        help="The register; default: register.jsonl beside the record, or beside the record's own folder.",
    ),
]
Key = Annotated[
    Path | None, typer.Option(help="Ed25519 private key (PEM) that signs the entry; needs the extra sign.")
]


def _entered(entry: Entry, register: Path, *, as_json: bool) -> None:
    """Show a new entry and the code to keep."""
    if as_json:
        print_json(entry.model_dump(mode="json") | {"code": entry.code})
        return
    signed = f" by {entry.role}" if entry.role else ""
    say(f"{register}: entry {entry.number}, {entry.what} {entry.name}{signed}, {entry.entered_on}")
    say(f"Code of the head, to be kept elsewhere: {entry.code}")


@register_app.command("add")
def register_add(
    record: Annotated[Path, typer.Argument(help="The decision record.")],
    register: RegisterFile = None,
    key: Key = None,
    as_json: AsJson = False,
) -> None:
    """Enter a decision record at the end of a register."""
    with bad_input():
        from kit.decisions import register_add as add
        from kit.decisions import register_path

        path = register or register_path(record)
        entry = add(path, record, key=key)
    _entered(entry, path, as_json=as_json)


@register_app.command("verify")
def register_verify(
    register: Annotated[Path, typer.Argument(help="The register.")],
    head: Annotated[str | None, typer.Option(help="Code that was kept elsewhere.")] = None,
    records: Annotated[Path | None, typer.Option(help="Folder of the records, to be compared.")] = None,
    signer: Annotated[
        Path | None, typer.Option(help="Ed25519 public key (PEM) by which every entry must be signed.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Check every link of a register, and name the first broken one."""
    with bad_input():
        from kit.decisions import CANNOT_PROVE, verify_register

        found = verify_register(register, head=head, folder=records, signer=signer)
    if as_json:
        entries = [one.model_dump(mode="json") | {"code": one.code} for one in found.entries]
        print_json(
            {
                "holds": found.holds,
                "head": found.head,
                "problems": found.problems,
                "notes": found.notes,
                "entries": entries,
                "cannot_prove": CANNOT_PROVE,
            }
        )
    else:
        say(
            f"{register}: {len(found.entries):,} entries, {'the chain holds' if found.holds else 'THE CHAIN IS BROKEN'}"
        )
        for line in (*found.problems, *found.notes):
            say(f"- {line}")
        say(f"Code of the head: {found.head or 'none'}")
        say(CANNOT_PROVE)
    if not found.holds:
        raise typer.Exit(NO)


def sign_off(
    record: Annotated[Path, typer.Argument(help="The decision record, whose digest is signed.")],
    role: Annotated[str, typer.Option(help="Who signs, by role.")],
    note: Annotated[str, typer.Option(help="What the signer adds.")] = "",
    register: RegisterFile = None,
    key: Key = None,
    as_json: AsJson = False,
) -> None:
    """Enter in the register that somebody signs a decision; a decision that is not in it yet is entered before."""
    with bad_input():
        from kit.decisions import register_path
        from kit.decisions import sign_off as sign

        path = register or register_path(record)
        entry = sign(path, record, role=role, note=note, key=key)
    _entered(entry, path, as_json=as_json)


class Kind(StrEnum):
    """Kinds of documents."""

    SHEET = "sheet"
    DOSSIER = "dossier"


def document(
    record: Annotated[Path, typer.Argument(help="The decision record, or its evidence pack.")],
    source: Annotated[
        str | None, typer.Argument(help="Dataset as load_fleet takes it; none for an evidence pack.")
    ] = None,
    out: Annotated[Path, typer.Option(help="Folder for the documents.")] = Path(),
    kind: Annotated[Kind, typer.Option(help="One page to sign, or all there is.")] = Kind.SHEET,
    register: RegisterFile = None,
    sensitivity: Annotated[
        bool | None,
        typer.Option(
            help="Move each stated value low and high; default: in the dossier only, as it takes half a minute."
        ),
    ] = None,
    strict: Strict = False,
    as_json: AsJson = False,
) -> None:
    """Re-run a decision and put it on paper, as HTML and PDF: question, evidence, what governs, cautions, sign-offs."""
    with bad_input():
        from kit.decisions import causes_of, read_decision, register_path, rerun, verify_register
        from kit.findings import replace_bytes, replace_text
        from kit.intervals import Evidence, second_opinions
        from kit.programmes import tornado
        from kit.sheets import decision_document, html_page, pages, pdf_bytes

        writable_folder(out, f"--out {out}")
        full = kind is Kind.DOSSIER
        chain = register or register_path(record)
        held = verify_register(chain) if register is not None or chain.is_file() else None
        with opened(record, source, strict=strict) as (path, fleet):
            evidence = Evidence(fleet)
            then = read_decision(path)
            asked = then.question.model_copy(update={"known_on": then.known_on})
            if sensitivity or (full and sensitivity is None):  # as long as all the rest together
                again, moved = forked_map(
                    lambda part: part(),
                    (lambda: rerun(path, evidence), lambda: tornado(evidence, asked, worth=False)),
                )
            else:
                again, moved = rerun(path, evidence, run=forked_map), None
            result = cast("Rerun", again)
            page = decision_document(
                then,
                fleet.as_known_on(then.known_on),
                kind=kind.value,
                result=result,
                register=held,
                causes=causes_of(result, fleet, run=forked_map) if full else None,
                sensitivity=cast("Tornado | None", moved),
                opinions=second_opinions(evidence.as_known_on(then.known_on), result.now.question)
                if full
                else None,
            )
        out.mkdir(parents=True, exist_ok=True)
        written = [out / f"{then.name}.{kind.value}.{ending}" for ending in ("html", "pdf")]
        replace_text(written[0], html_page(page))
        replace_bytes(written[1], pdf_bytes(page))
        n_pages = len(pages(page))
    if as_json:
        print_json(
            {
                "files": [str(one) for one in written],
                "pages": n_pages,
                "verdicts": result.verdicts,
                "reasons": result.reasons,
            }
        )
    else:
        say(f"Verdict: {'; '.join(result.verdicts)}")
        for one in written:
            say(f"{kind.value.capitalize()}: {one}")
        say(f"{n_pages} {'page' if n_pages == 1 else 'pages'} of A4")
        if n_pages > 1 and not full:
            say("The sheet is longer than a page even with the smallest letters: nothing was left out.")
        for caution in result.now.cautions:
            say(f"- {caution}")
    if not result.reproduced:
        raise typer.Exit(NO)
