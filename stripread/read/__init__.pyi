from .combine import combine_readings as combine_readings
from .combine import light_correlation as light_correlation
from .pad import Censored as Censored
from .pad import Limit as Limit
from .pad import PadReading as PadReading
from .strip import Reading as Reading
from .strip import read_strip as read_strip
