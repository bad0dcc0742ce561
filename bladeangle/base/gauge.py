"""Repeatability and reproducibility of the measurement itself: repeated readings -> `GaugeStudy`.

Several parts are measured by several appraisers (people, phones, or set-ups), each several times. The analysis of
variance splits the scatter into what repeats badly (equipment variation EV), what differs between appraisers (AV), and
what the parts themselves differ by (PV). For a shelf, a part is a station of one blade and a trial one record of it.

Formula source: crossed two-factor random model, AIAG Measurement Systems Analysis, 4th edition, chapter III (ANOVA).

Not covered: studies with missing readings, nested designs (parts destroyed by measuring), and a trend over the trials.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bladeangle.base.errors import UsageError

#: The interaction counts as real below this probability, else it is pooled with the error (AIAG MSA 4 uses 0.05).
INTERACTION_ALPHA = 0.05
#: The number of distinct categories is this times PV / GRR, rounded down (AIAG MSA 4).
CATEGORY_FACTOR = 1.41


@dataclass(frozen=True)
class VarianceLine:
    """One line of the analysis of variance; `f` and `p` are None where they do not apply."""

    source: str
    dof: int
    sum_of_squares: float
    mean_square: float
    f: float | None = None
    p: float | None = None


@dataclass(frozen=True)
class GaugeStudy:
    """Result of a study, as standard deviations in the unit of the readings.

    lines : the analysis of variance: appraiser, part, appraiser by part, error (as they were before pooling).
    pooled : whether the interaction was pooled with the error.
    ev, av, interaction, grr, pv, tv : equipment, appraiser and interaction variation, repeatability and reproducibility
        together, part variation, total. `av` is None with one appraiser, `interaction` None when pooled.
    ev_interval : 95 % confidence interval of `ev` (chi-squared).
    ndc : number of distinct categories, None when the readings repeat exactly.
    """

    parts: int
    appraisers: int
    trials: int
    lines: tuple[VarianceLine, ...]
    pooled: bool
    ev: float
    ev_interval: tuple[float, float]
    av: float | None
    interaction: float | None
    grr: float
    pv: float
    tv: float
    ndc: int | None

    @property
    def grr_percent(self) -> float:
        """GRR in percent of the total variation; 0 when nothing varies."""
        return 100 * self.grr / self.tv if self.tv else 0.0


def gauge_study(readings: NDArray[np.float64], interaction_alpha: float = INTERACTION_ALPHA) -> GaugeStudy:
    """Analyse a balanced study.

    Parameters
    ----------
    readings : (parts, appraisers, trials); at least 2 parts, 1 appraiser and 2 trials.
    interaction_alpha : probability below which the interaction counts as real.

    Raises
    ------
    UsageError : the study is too small or has readings that are not finite.
    """
    x = np.asarray(readings, float)
    if x.ndim != 3 or x.shape[0] < 2 or x.shape[1] < 1 or x.shape[2] < 2:
        raise UsageError(
            "A repeatability study needs at least two parts, each measured at least twice by every appraiser.",
            "Measure more rotors, or each more often.",
        )
    if not np.isfinite(x).all():
        raise UsageError("The study has readings that are not finite numbers.", "Leave out what was not measured.")
    parts, appraisers, trials = x.shape
    mean, cell = x.mean(), x.mean(axis=2)
    part_mean, appraiser_mean = cell.mean(axis=1), cell.mean(axis=0)
    squares = {
        "appraiser": parts * trials * float(((appraiser_mean - mean) ** 2).sum()),
        "part": appraisers * trials * float(((part_mean - mean) ** 2).sum()),
        "appraiser by part": trials * float(((cell - part_mean[:, None] - appraiser_mean[None, :] + mean) ** 2).sum()),
        "error": float(((x - cell[:, :, None]) ** 2).sum()),
    }
    dofs = {
        "appraiser": appraisers - 1,
        "part": parts - 1,
        "appraiser by part": (appraisers - 1) * (parts - 1),
        "error": parts * appraisers * (trials - 1),
    }
    if appraisers == 1:
        del squares["appraiser"], squares["appraiser by part"]
    squared = {source: squares[source] / dofs[source] for source in squares}

    _, p_interaction = _f_test(squared, "appraiser by part", "error", dofs)
    pooled = p_interaction is None or p_interaction > interaction_alpha
    if pooled:
        used = [source for source in ("appraiser by part", "error") if source in squares]
        dofs["within"] = sum(dofs[source] for source in used)
        squared["within"] = sum(squares[source] for source in used) / dofs["within"]
        repeat = against = "within"
    else:
        repeat, against = "error", "appraiser by part"

    def component(source: str, repeats: int, base: str) -> float:
        # A variance found below zero means that there is none to be seen.
        return float(max(squared[source] - squared[base], 0.0)) / repeats

    ev2 = squared[repeat]
    av2 = component("appraiser", parts * trials, against) if appraisers > 1 else 0.0
    interaction2 = 0.0 if pooled else component("appraiser by part", trials, "error")
    pv2 = component("part", appraisers * trials, against)
    grr2 = ev2 + av2 + interaction2
    tests = {source: _f_test(squared, source, against, dofs) for source in ("appraiser", "part")}
    tests["appraiser by part"] = _f_test(squared, "appraiser by part", "error", dofs)
    return GaugeStudy(
        parts=parts,
        appraisers=appraisers,
        trials=trials,
        lines=tuple(
            VarianceLine(source, dofs[source], squares[source], squared[source], *tests.get(source, (None, None)))
            for source in squares
        ),
        pooled=pooled,
        ev=math.sqrt(ev2),
        ev_interval=_deviation_interval(ev2, dofs[repeat]),
        av=math.sqrt(av2) if appraisers > 1 else None,
        interaction=None if pooled else math.sqrt(interaction2),
        grr=math.sqrt(grr2),
        pv=math.sqrt(pv2),
        tv=math.sqrt(grr2 + pv2),
        ndc=math.floor(CATEGORY_FACTOR * math.sqrt(pv2 / grr2)) if grr2 > 0 else None,
    )


def study_of(rows: Iterable[tuple[str, str, float]]) -> GaugeStudy:
    """Study from (part, appraiser, reading) in any order.

    Raises
    ------
    UsageError : an appraiser measured a part more or less often than the others, or as `gauge_study`.
    """
    table: dict[str, dict[str, list[float]]] = {}
    for part, appraiser, reading in rows:
        table.setdefault(part, {}).setdefault(appraiser, []).append(reading)
    appraisers = sorted({appraiser for by_appraiser in table.values() for appraiser in by_appraiser})
    counts = {
        (part, appraiser): len(by_appraiser.get(appraiser, []))
        for part, by_appraiser in table.items()
        for appraiser in appraisers
    }
    if not counts or len(set(counts.values())) != 1:
        usual = max(counts.values(), default=0)
        odd = next((f" ({part} by {appraiser}: {n})" for (part, appraiser), n in counts.items() if n != usual), "")
        raise UsageError(
            f"Every appraiser must have measured every part equally often, here at most {usual} times{odd}.",
            "Leave out the readings that have no counterpart, or measure the missing ones.",
        )
    return gauge_study(np.array([[by_appraiser[a] for a in appraisers] for by_appraiser in table.values()]))


def _f_test(
    squared: dict[str, float], source: str, against: str, dofs: dict[str, int]
) -> tuple[float | None, float | None]:
    """F ratio of two mean squares and its probability; None where one of them is missing or nothing scatters."""
    if source not in squared or against not in squared or squared[against] == 0:
        return None, None
    from scipy.special import fdtrc

    f = squared[source] / squared[against]
    return f, float(fdtrc(dofs[source], dofs[against], f))


def _deviation_interval(variance: float, dof: int) -> tuple[float, float]:
    """95 % confidence interval of a standard deviation found with `dof` degrees of freedom."""
    from scipy.special import chdtri

    low, high = (math.sqrt(variance * dof / float(chdtri(dof, tail))) for tail in (0.025, 0.975))
    return low, high
