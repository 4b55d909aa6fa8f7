from .app import create_app as create_app
from .certificate import own_certificate as own_certificate
from .people.accounts import new_pairing_code as new_pairing_code
from .people.accounts import retire_person as retire_person
from .people.accounts import set_person as set_person
from .people.accounts import unpair_phone as unpair_phone
from .people.people import People as People
from .settings import Settings as Settings
