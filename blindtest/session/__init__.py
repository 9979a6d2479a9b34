"""A person listens: the sitting as a state machine, what may be shown of it, players, simulated listeners.

The database is `blindtest.session.store`, imported by those who need it: it brings in what takes time to load.
"""

from blindtest.session.answer import COLUMNS, Answer, rows_of
from blindtest.session.device_player import DeviceFacts, DevicePlayer, output_devices
from blindtest.session.event import (
    EVENTS,
    FAULT_KINDS,
    Abandoned,
    Began,
    Chosen,
    Commented,
    Confirmed,
    Connected,
    Continued,
    Event,
    Faulted,
    Left,
    LevelSet,
    Loaded,
    Misconnected,
    Paused,
    Resumed,
    Selected,
    Unchosen,
    event_from_dict,
    event_to_dict,
)
from blindtest.session.laid_player import LaidPlayer, clear_laid
from blindtest.session.loop_stream import LoopFacts, LoopStream
from blindtest.session.offer import LEVEL_SLOT, LEVEL_TRIAL, Offer, offers
from blindtest.session.opinion import Opinion, Spreads, simulated_opinions
from blindtest.session.player import BrowserPlayer, MadeWhenAsked, Player, Sound, dithered, portaudio_fault, served_wav
from blindtest.session.register import WITHHELD, Acknowledged, ImpressionEntry, Override, SealEntry, SittingEntry
from blindtest.session.resumption import restored
from blindtest.session.routing import Route, on_outputs, trimmed
from blindtest.session.screening import Screening, ScreeningAnswer, ScreeningOutcome, ScreeningPlace, Verdict
from blindtest.session.screening_sound import SCREENING_RATE_HZ, screening_frames, screening_wav
from blindtest.session.setter import Setter
from blindtest.session.simulated import RULES, HeardTrial, Liking, SimulatedListener
from blindtest.session.simulated_sitting import heard_trial, simulate_sitting, simulated_clock
from blindtest.session.sitting import FIRST_ATTEMPT, OutOfTurn, Sitting, Step, start
from blindtest.session.switching import Switching, asked, connected, undone
from blindtest.session.transition import after
from blindtest.session.view import View, plain_view_of, view_of

__all__ = [
    "COLUMNS",
    "EVENTS",
    "FAULT_KINDS",
    "FIRST_ATTEMPT",
    "LEVEL_SLOT",
    "LEVEL_TRIAL",
    "RULES",
    "SCREENING_RATE_HZ",
    "WITHHELD",
    "Abandoned",
    "Acknowledged",
    "Answer",
    "Began",
    "BrowserPlayer",
    "Chosen",
    "Commented",
    "Confirmed",
    "Connected",
    "Continued",
    "DeviceFacts",
    "DevicePlayer",
    "Event",
    "Faulted",
    "HeardTrial",
    "ImpressionEntry",
    "LaidPlayer",
    "Left",
    "LevelSet",
    "Liking",
    "Loaded",
    "LoopFacts",
    "LoopStream",
    "MadeWhenAsked",
    "Misconnected",
    "Offer",
    "Opinion",
    "OutOfTurn",
    "Override",
    "Paused",
    "Player",
    "Resumed",
    "Route",
    "Screening",
    "ScreeningAnswer",
    "ScreeningOutcome",
    "ScreeningPlace",
    "SealEntry",
    "Selected",
    "Setter",
    "SimulatedListener",
    "Sitting",
    "SittingEntry",
    "Sound",
    "Spreads",
    "Step",
    "Switching",
    "Unchosen",
    "Verdict",
    "View",
    "after",
    "asked",
    "clear_laid",
    "connected",
    "dithered",
    "event_from_dict",
    "event_to_dict",
    "heard_trial",
    "offers",
    "on_outputs",
    "output_devices",
    "plain_view_of",
    "portaudio_fault",
    "restored",
    "rows_of",
    "screening_frames",
    "screening_wav",
    "served_wav",
    "simulate_sitting",
    "simulated_clock",
    "simulated_opinions",
    "start",
    "trimmed",
    "undone",
    "view_of",
]
