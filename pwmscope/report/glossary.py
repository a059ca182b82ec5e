"""The trade's words, each said so that one who is new to it can follow."""

from __future__ import annotations

from typing import Final

GLOSSARY: Final[dict[str, str]] = {
    "analyser": "A small box on a USB cable. It writes down when each of its inputs is high or "
    "low, millions of times a second.",
    "BEC": "A small 5 V supply inside an ESC. It feeds the receiver and the servos through the "
    "ESC's own plug. Exactly one source may do that.",
    "bench sheet": "A text file about one robot: what is plugged in where, what powers it, and "
    "what each device expects.",
    "bind": "To make a receiver listen to one transmitter only. Many receivers store their "
    "failsafe widths then.",
    "brown-out margin": "How far the supply stays above the least that the receiver needs.",
    "channel": "One value that travels from a stick or switch to one plug of the receiver.",
    "channel map": "Which stick moves which plug of the receiver, and which way.",
    "deadband": "The widths round neutral at which a device does not move. A stick that rests "
    "inside it leaves the robot still.",
    "dwell": "A stretch of time in which a pulse width stands still, as the hand does.",
    "endpoint": "The pulse width with the stick held at its end.",
    "ESC": "Electronic speed controller. It reads pulses and drives a motor from the battery.",
    "failsafe": "What a receiver does with its outputs when it hears no transmitter. Everything "
    "on the robot must then stand still.",
    "frame": "One round of pulses, one for each channel. Most receivers send about fifty a second.",
    "frame rate": "How many rounds of pulses come in a second.",
    "glitch": "A pulse that does not belong there, mostly far too short. Motor noise makes them.",
    "ground": "The wire that all voltages are measured from. It is connected first.",
    "hazard": "Something that may move a robot at a bad moment. It is told, and changes no "
    "verdict.",
    "hold": "The receiver repeats the last pulse width. With a stick held, the robot drives on.",
    "jitter": "How much a pulse width trembles while the stick stands still.",
    "line": "One recorded wire.",
    "link": "The radio connection between transmitter and receiver.",
    "link record": "A recording of the link's first minutes after binding, each control moved "
    "once.",
    "marker": "A recorded wire that shows when the transmitter is on. Without it nobody knows when "
    "the signal was lost.",
    "meets": "The value lies within the limit, its uncertainty included. Every other explanation "
    "is refuted.",
    "mixing": "Two motors share the work of two sticks. Forward turns both, right turns one more.",
    "neutral": "The pulse width with the stick let go. A drive stands still there.",
    "not shown": "This recording does not tell. It is no pass. The reason says what to record.",
    "does not meet": "The value lies outside the limit, its uncertainty included.",
    "preset": "A pulse width that the receiver stored. It sends it when the signal is lost.",
    "pulse width": "How long a pulse stays high. It says how far to turn: 1000 us one end, 2000 us "
    "the other, 1500 us the middle.",
    "receiver": "The part in the robot that hears the transmitter and makes the pulses.",
    "reversed": "The channel goes the other way round: the width falls where it should rise.",
    "rotation line": "A recorded wire from a sensor that sees each turn of a motor.",
    "sag": "A short fall of the supply, as a servo or motor starts.",
    "servo": "A motor that goes to the position its pulses name, and stays there.",
    "signal loss": "The time in which the receiver hears no transmitter.",
    "spin-down time": "How long a motor takes until it turns slowly, from the loss on.",
    "stop range": "The pulse widths at which a device stands still.",
    "stop time": "How long after the loss a device is commanded to stand still for good.",
    "supply line": "A recorded wire that shows the voltage the receiver runs on.",
    "transmitter": "What your hands hold, with the sticks.",
    "travel": "How far the width goes from one end of the stick to the other.",
    "trim": "A small setting that moves neutral.",
    "uncertainty": "How far a figure may be off. The number after ± covers 95 of 100 cases.",
}
"""By the word, in its usual spelling."""
