"""How long until damage begins, from what periodic inspections can know."""

from kit.life.causes.clocks import (
    ClockComparison,
    SameLives,
    TwoClockFit,
    compare_clocks,
    fit_two_clocks,
    log_chance,
)
from kit.life.causes.competing import CompetingLives, fit_competing
from kit.life.causes.two_stage import MoistureThenDisbond, fit_moisture_then_disbond
from kit.life.causes.wet_looks import moisture_and_disbond_looks
from kit.life.fits.bootstrap import BootstrapFits, bootstrap
from kit.life.fits.detection_profile import (
    DetectionProfile,
    DetectionRidge,
    detection_profile,
    detection_ridge,
)
from kit.life.fits.distributions import DISTRIBUTIONS, LifeComparison, compare_lives, fit_life
from kit.life.fits.expected import chance_found_by_look, expected_positions
from kit.life.fits.fit import FewFindsWarning, LifeFit
from kit.life.fits.fitting import fit_family
from kit.life.fits.goodness import GoodnessOfFit, check_fit
from kit.life.fits.ranks import median_ranks, plotting_positions
from kit.life.fits.second_opinion import SecondOpinion, second_opinion
from kit.life.fits.turnbull import TurnbullFit, fit_turnbull
from kit.life.fits.weibull import fit_weibull, scale_lower_bound, weibayes_bound
from kit.life.groups.frailty import FrailtyFit, SharedFit, fit_frailty, fit_shared
from kit.life.groups.regression import fit_regression
from kit.life.groups.regression_fit import RegressionFit
from kit.life.likelihood.families import FAMILIES, WEIBULL, Family
from kit.life.likelihood.imperfect import (
    ConstantDetection,
    Detection,
    LookLayout,
    MethodDetection,
    detection_terms,
    gaps_before_looks,
)
from kit.life.likelihood.likelihood import PerfectTerms
from kit.life.lives.censored import Histories, looks_with_entries
from kit.life.lives.covariates import COVARIATES, with_covariates
from kit.life.lives.histories import (
    AFTER_REPAIR,
    build_histories,
    histories_of_kind,
    panel_looks,
    repairs_that_end_lives,
    with_virtual_ages,
)
from kit.life.lives.repairs import (
    RepairedAgainstNew,
    RepairedLives,
    repaired_against_new,
    repaired_lives,
)
from kit.life.recurrence.after_repair import AfterRepair, after_repair
from kit.life.recurrence.power_law import PowerLawFit, fit_power_law, fit_power_law_grouped, trend_tests
from kit.life.recurrence.recurrent import MeanCumulative, mean_cumulative
from kit.life.recurrence.restoration import RestorationFit, fit_restoration
from kit.numerics.refusals import NoFiniteMaximum

__all__ = [
    "AFTER_REPAIR",
    "COVARIATES",
    "DISTRIBUTIONS",
    "FAMILIES",
    "WEIBULL",
    "AfterRepair",
    "BootstrapFits",
    "ClockComparison",
    "CompetingLives",
    "ConstantDetection",
    "Detection",
    "DetectionProfile",
    "DetectionRidge",
    "Family",
    "FewFindsWarning",
    "FrailtyFit",
    "GoodnessOfFit",
    "Histories",
    "LifeComparison",
    "LifeFit",
    "LookLayout",
    "MeanCumulative",
    "MethodDetection",
    "MoistureThenDisbond",
    "NoFiniteMaximum",
    "PerfectTerms",
    "PowerLawFit",
    "RegressionFit",
    "RepairedAgainstNew",
    "RepairedLives",
    "RestorationFit",
    "SameLives",
    "SecondOpinion",
    "SharedFit",
    "TurnbullFit",
    "TwoClockFit",
    "after_repair",
    "bootstrap",
    "build_histories",
    "chance_found_by_look",
    "check_fit",
    "compare_clocks",
    "compare_lives",
    "detection_profile",
    "detection_ridge",
    "detection_terms",
    "expected_positions",
    "fit_competing",
    "fit_family",
    "fit_frailty",
    "fit_life",
    "fit_moisture_then_disbond",
    "fit_power_law",
    "fit_power_law_grouped",
    "fit_regression",
    "fit_restoration",
    "fit_shared",
    "fit_turnbull",
    "fit_two_clocks",
    "fit_weibull",
    "gaps_before_looks",
    "histories_of_kind",
    "log_chance",
    "looks_with_entries",
    "mean_cumulative",
    "median_ranks",
    "moisture_and_disbond_looks",
    "panel_looks",
    "plotting_positions",
    "repaired_against_new",
    "repaired_lives",
    "repairs_that_end_lives",
    "scale_lower_bound",
    "second_opinion",
    "trend_tests",
    "weibayes_bound",
    "with_covariates",
    "with_virtual_ages",
]
