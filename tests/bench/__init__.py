"""A bench with known truth: MuJoCo swings, sensed with known errors, written as recordings."""

from tests.bench.faces import FaceRecording, make_faces
from tests.bench.motion import Beliefs
from tests.bench.recording import BenchRecording, BenchTruth, Poses, Session, make_recording
from tests.bench.sensors import Errors

__all__ = [
    "Beliefs",
    "BenchRecording",
    "BenchTruth",
    "Errors",
    "FaceRecording",
    "Poses",
    "Session",
    "make_faces",
    "make_recording",
]
