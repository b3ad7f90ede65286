"""Recordings to levels, bands and delays; wave speed of a pipe. Knows nothing of maps."""

from geoleak.acoustics.bands import BandChoice, best_band
from geoleak.acoustics.clocks import Clocks, clap_offset
from geoleak.acoustics.delays import DelayEstimate, Rival, delay
from geoleak.acoustics.filters import band_pass
from geoleak.acoustics.levels import SteadyLevel, add_db, level_db, steady_level
from geoleak.acoustics.listening import Heard, Listening, delay_of_files, level_of_file, listen
from geoleak.acoustics.picture import spectrum_svg
from geoleak.acoustics.pipes import WaveSpeed, measured_speed, wave_speed
from geoleak.acoustics.recording import (
    Recording,
    Warned,
    open_recording,
    split_channel,
)

__all__ = [
    "BandChoice",
    "Clocks",
    "DelayEstimate",
    "Heard",
    "Listening",
    "Recording",
    "Rival",
    "SteadyLevel",
    "Warned",
    "WaveSpeed",
    "add_db",
    "band_pass",
    "best_band",
    "clap_offset",
    "delay",
    "delay_of_files",
    "level_db",
    "level_of_file",
    "listen",
    "measured_speed",
    "open_recording",
    "spectrum_svg",
    "split_channel",
    "steady_level",
    "wave_speed",
]
