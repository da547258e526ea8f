"""One file a stage; each reads like its schematic."""

from vadist.stages.boost import TransistorBoost
from vadist.stages.clipper import DiodeClipper
from vadist.stages.coupling import CouplingHighPass
from vadist.stages.follower import EmitterFollower
from vadist.stages.level import LevelControl
from vadist.stages.opamp_gain import FeedbackClipper, OpAmpGain
from vadist.stages.stage import DiodePair, Pot, Stage
from vadist.stages.tone import ToneBlend
from vadist.stages.wired import WiredStage

STAGES: dict[str, type[Stage]] = {
    stage.kind: stage
    for stage in (
        CouplingHighPass,
        EmitterFollower,
        TransistorBoost,
        OpAmpGain,
        FeedbackClipper,
        DiodeClipper,
        ToneBlend,
        LevelControl,
    )
}
"""Stages by type; those of one's own join them by :func:`vadist.stages.loading.load_stages`."""

__all__ = [
    "STAGES",
    "CouplingHighPass",
    "DiodeClipper",
    "DiodePair",
    "EmitterFollower",
    "FeedbackClipper",
    "LevelControl",
    "OpAmpGain",
    "Pot",
    "Stage",
    "ToneBlend",
    "TransistorBoost",
    "WiredStage",
]
