"""What general libraries say of the same rows: a second opinion on a fitted life, and what they cannot take into account."""

from __future__ import annotations

import multiprocessing
from dataclasses import dataclass
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess

import numpy as np
import pandas as pd

from kit.life.fits.fit import LifeFit
from kit.life.fits.other_library import answer
from kit.life.fits.weibull import fit_weibull
from kit.life.likelihood.families import WEIBULL
from kit.numerics.words import in_words, percent

_CANNOT = {
    "surpyval": "looks that miss damage",
    "reliability": "ages between two looks (the find's date stands for the onset), left truncation, looks that miss damage",
}
_SAME = 0.001  # largest relative difference that is called agreement
_PATIENCE_S = 120


@dataclass(frozen=True, eq=False)
class SecondOpinion:
    """A fitted life beside what general libraries make of its rows.

    Parameters
    ----------
    fit : LifeFit
        The fit that is asked about.
    perfect : LifeFit
        The same rows with looks taken to find all: what a library can be held against.
    share : float
        Share with damage at whose age the lives are compared [-].
    table : DataFrame
        Index by; scale, shape, age [clock units], age_over_fit [-], refused, cannot.
    """

    fit: LifeFit
    perfect: LifeFit
    share: float
    table: pd.DataFrame

    def __repr__(self) -> str:
        """Return one line."""
        gave = int(self.table["scale"].notna().sum()) - 2
        return f"SecondOpinion({gave} of {len(self.table) - 2} libraries gave a fit)"

    @property
    def agrees(self) -> bool:
        """Whether the library that takes the rows as they are gives the same life, looks taken as perfect."""
        theirs = self.table.loc["surpyval", ["scale", "shape"]].to_numpy(float)
        ours = np.array([self.perfect.scale, self.perfect.shape])
        return bool(np.all(np.abs(theirs / ours - 1) <= _SAME))

    def to_frame(self) -> pd.DataFrame:
        """Return one row a fit.

        Returns
        -------
        DataFrame
            As `table`.
        """
        return self.table

    def words(self) -> str:
        """Say what each library gives, refuses or cannot do.

        Returns
        -------
        str
            Markdown.
        """
        unit, lines = in_words(self.fit.clock), []
        for name, row in self.table.iloc[2:].iterrows():
            cannot = f"It cannot take into account: {row['cannot']}."
            if row["refused"]:
                lines.append(f"- **{name}** refuses these rows: {row['refused']}. {cannot}")
                continue
            same = (
                " (the same as this kit where looks are taken as perfect)"
                if name == "surpyval" and self.agrees
                else ""
            )
            lines.append(
                f"- **{name}**: scale {row['scale']:,.0f} {unit}, shape {row['shape']:.2f}{same}; {percent(self.share)} have damage at "
                f"{row['age']:,.0f}, {row['age_over_fit']:.2f} times this fit's age. {cannot}"
            )
        if self.table["refused"].eq("").iloc[2] and not self.agrees:
            lines.append(
                "- **surpyval and this kit differ where they should agree: find out why before either is used.**"
            )
        return "\n".join(lines)


def second_opinion(fit: LifeFit, *, share: float = 0.1) -> SecondOpinion:
    """Fit the same rows by general libraries, each in a process of its own.

    Parameters
    ----------
    fit : LifeFit
        A fitted Weibull life.
    share : float
        Share with damage at whose age the lives are compared [-].

    Returns
    -------
    SecondOpinion
        What each gives, refuses or cannot take into account.

    Raises
    ------
    ValueError
        If the life is no Weibull, or its shape was assumed.

    See Also
    --------
    kit.life.compare_lives : Other families by this kit's own likelihood.

    Notes
    -----
    The libraries are surpyval and reliability. Neither takes looks that miss damage, so that their ages are to be held
    against the row "this kit, looks taken as perfect". Importing them changes numpy's and pandas' settings; here they are
    imported in processes that end with the answer. As with all processes started anew, a script must call this under
    ``if __name__ == "__main__":``.
    """
    if fit.family is not WEIBULL or fit.shape_assumed:
        raise ValueError(
            f"`fit` must be a Weibull life whose shape was fitted, as the libraries fit nothing else alike. Got {fit!r}."
        )
    rows = {name: getattr(fit.rows, name) for name in ("entry", "lower", "upper", "count")}
    perfect = fit if fit.looks_find_all else fit_weibull(**rows)
    running = {name: _begun(name, rows) for name in _CANNOT}
    table = {
        "this kit, as fitted": {"scale": fit.scale, "shape": fit.shape, "refused": "", "cannot": ""},
        "this kit, looks taken as perfect": {
            "scale": perfect.scale,
            "shape": perfect.shape,
            "refused": "",
            "cannot": "",
        },
    }
    for name, (process, end) in running.items():
        table[name] = {"scale": np.nan, "shape": np.nan, "refused": "", "cannot": _CANNOT[name]} | _told(
            process, end
        )
    frame = pd.DataFrame.from_dict(table, orient="index").rename_axis("by")
    frame.insert(2, "age", frame["scale"] * (-np.log1p(-share)) ** (1 / frame["shape"]))
    frame.insert(3, "age_over_fit", frame["age"] / float(fit.quantile(share)))
    return SecondOpinion(fit=fit, perfect=perfect, share=share, table=frame)


def _begun(name: str, rows: dict[str, np.ndarray]) -> tuple[BaseProcess, Connection]:
    """Begin a fit by a library in a fresh process, and return where its answer will come."""
    context = multiprocessing.get_context("spawn")
    ours, theirs = context.Pipe(duplex=False)
    process = context.Process(target=answer, args=(name, rows, theirs), daemon=True)
    process.start()
    theirs.close()
    return process, ours


def _told(process: BaseProcess, end: Connection) -> dict[str, object]:
    """Return what a library's process answered; a process that fell or hung refused, too."""
    try:
        if end.poll(_PATIENCE_S):
            return end.recv()
        return {"refused": f"no answer within {_PATIENCE_S} seconds"}
    except EOFError:
        process.join()
        return {"refused": f"its process ended with status {process.exitcode} and no answer"}
    finally:
        end.close()
        if process.is_alive():
            process.join(1)
            process.terminate()
        process.join()
