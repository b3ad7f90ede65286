"""Recordings to levels, bands and delays; wave speed of a pipe. Knows nothing of maps."""

from geoleak.acoustics.delay import Clocks, DelayEstimate, Rival, delay
from geoleak.acoustics.levels import BandChoice, SteadyLevel, best_band, level_db, steady_level
from geoleak.acoustics.listening import Heard, Listening, delay_of_files, level_of_file, listen
from geoleak.acoustics.pipes import WaveSpeed, wave_speed
from geoleak.acoustics.recording import Recording, open_recording, split_channel
