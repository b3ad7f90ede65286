"""Recordings to levels, bands and delays; wave speed of a pipe. Knows nothing of maps."""

from geoleak.acoustics.bands import BandChoice, best_band
from geoleak.acoustics.clocks import Clocks
from geoleak.acoustics.delay import DelayEstimate, Rival, delay
from geoleak.acoustics.levels import SteadyLevel, level_db, steady_level
from geoleak.acoustics.listening import Heard, Listening, delay_of_files, level_of_file, listen
from geoleak.acoustics.pipes import WaveSpeed, wave_speed
from geoleak.acoustics.recording import Recording, open_recording, split_channel

__all__ = [
    "BandChoice",
    "Clocks",
    "DelayEstimate",
    "Heard",
    "Listening",
    "Recording",
    "Rival",
    "SteadyLevel",
    "WaveSpeed",
    "best_band",
    "delay",
    "delay_of_files",
    "level_db",
    "level_of_file",
    "listen",
    "open_recording",
    "split_channel",
    "steady_level",
    "wave_speed",
]
