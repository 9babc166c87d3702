"""One ride as validated samples and laps, and the builder that every reader goes through."""

from cda.recording.build import RawLap as RawLap
from cda.recording.build import build_recording as build_recording
from cda.recording.ride import CHANNELS as CHANNELS
from cda.recording.ride import MAX_SAMPLES as MAX_SAMPLES
from cda.recording.ride import PLAUSIBLE as PLAUSIBLE
from cda.recording.ride import Lap as Lap
from cda.recording.ride import Recording as Recording
