"""Recordings to levels, bands and delays; wave speed of a pipe. Knows nothing of maps."""

from geoleak.acoustics.clocks import Clocks, clap_offset
from geoleak.acoustics.delays import DelayEstimate, Rival, delay
from geoleak.acoustics.pipes import WaveSpeed, measured_speed, wave_speed
from geoleak.acoustics.recording import Recording, open_recording

__all__ = [
    "Clocks",
    "DelayEstimate",
    "Recording",
    "Rival",
    "WaveSpeed",
    "clap_offset",
    "delay",
    "measured_speed",
    "open_recording",
    "wave_speed",
]
