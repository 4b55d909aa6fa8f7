from .calibrate import calibrate_lot as calibrate_lot
from .calibrate import join_lot as join_lot
from .calibrate import load_series as load_series
from .card import design_card as design_card
from .card import draw_card as draw_card
from .card import enrol_card as enrol_card
from .card import load_card as load_card
from .card import save_card as save_card
from .check import check_reading as check_reading
from .check import check_replicates as check_replicates
from .errors import StripReadError as StripReadError
from .lot import load_lot as load_lot
from .lot import save_lot as save_lot
from .measure import measure_card as measure_card
from .photo import open_photo as open_photo
from .read import combine_readings as combine_readings
from .read import read_strip as read_strip
from .records import open_records as open_records
from .site import load_site as load_site
from .strip import load_kind as load_kind

__version__: str
