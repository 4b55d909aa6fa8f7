from .combine import combine_readings as combine_readings
from .combine import light_correlation as light_correlation
from .pad import AsDipped as AsDipped
from .pad import PadReading as PadReading
from .pad import fitting_dilution as fitting_dilution
from .strip import Reading as Reading
from .strip import read_strip as read_strip
