"""The same questions to a fleet that is spread over many files and processes."""

from kit.cluster.bootstrap import bootstrap, spread
from kit.cluster.evidence import PartsEvidence, evidence_of, present_state
from kit.cluster.fit import fit_weibull
from kit.cluster.growth import fit_tracks
from kit.cluster.histories import build_histories
from kit.cluster.loading import load_parts
from kit.cluster.parts import Parts, open_parts, write_parts
from kit.cluster.ranking import rank_by_damage, rank_zones
from kit.cluster.regions import tracked_regions
from kit.cluster.work import local_cluster, over_parts

__all__ = [
    "Parts",
    "PartsEvidence",
    "bootstrap",
    "build_histories",
    "evidence_of",
    "fit_tracks",
    "fit_weibull",
    "load_parts",
    "local_cluster",
    "open_parts",
    "over_parts",
    "present_state",
    "rank_by_damage",
    "rank_zones",
    "spread",
    "tracked_regions",
    "write_parts",
]
