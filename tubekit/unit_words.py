"""Which prefixes, words and markings each unit takes (the vocabulary of `units`).

Prefixes after IEC 80000-1, marking letters after IEC 60062; 'mfd', 'mmfd', 'cycles' and 'mho'
are the words of old drawings (common practice).
"""

from __future__ import annotations

POWER = {"p": -12, "n": -9, "u": -6, "m": -3, "": 0, "k": 3, "K": 3, "M": 6, "G": 9}
FARAD_CAPITALS = {"P": -12, "N": -9, "U": -6}
# Prefixes each unit may carry. What is missing is missing on purpose: an old drawing's
# 'MA' is a milliampere and its 'MF' a microfarad, so both are refused rather than guessed.
PREFIXES = {
    "ohm": "m,,k,K,M,G",
    "F": "p,n,u,",
    "H": "u,m,,k",
    "V": "u,m,,k,K",
    "A": "p,n,u,m,",
    "W": "u,m,,k,K",
    "Hz": "m,,k,K,M,G",
    "s": "p,n,u,m,",
    "S": "n,u,m,",
    "J": "u,m,,k",
    "%": "",
}
UNITS = tuple(PREFIXES)
WORDS = {
    "ohm": "ohm,ohms,Ohm,Ohms,OHM,OHMS,Ω",
    "F": "F,f,fd,FD,farad,farads",
    "H": "H,h,Hy,hy,henry,henries",
    "V": "V,v,volt,volts,VDC,Vdc,vdc,WVDC,WV,VAC,Vac,vac",
    "A": "A,a,amp,amps,ampere,amperes",
    "W": "W,w,watt,watts",
    "Hz": "Hz,hz,HZ,c/s,cps,cycles",
    "s": "s,sec,second,seconds",
    "S": "S,mho,mhos",
    "J": "J,joule,joules",
    "%": "%,percent",
}
EXTRA = {
    "ohm": {"R": 0, "kilohm": 3, "kilohms": 3, "megohm": 6, "megohms": 6},
    "F": {"mfd": -6, "MFD": -6, "Mfd": -6, "mmfd": -12, "MMFD": -12, "mmf": -12, "MMF": -12}
    | {"uuF": -12, "uuf": -12, "uufd": -12},
}
SYMBOL = {"ohm": "Ω"}
EXAMPLES = {
    "ohm": "330, 470R, 4K7, 1.5k or 1 M",
    "F": "100n, 4n7, 22p or 25 uF",
    "H": "8, 8 H or 250 mH",
    "V": "335, 335 V or 50 mV",
    "A": "52 mA, 0.052 or 2 A",
    "W": "0.5 W, 1/2 W or 12",
    "Hz": "60, 60 Hz or 1 kHz",
    "s": "2, 2 s or 20 ms",
    "S": "1600 uS, 1.6 mS or 0.0016",
    "J": "20, 20 J or 500 mJ",
    "%": "10 or 10 %",
}
NOUN = {
    "ohm": "a resistance",
    "F": "a capacitance",
    "H": "an inductance",
    "V": "a voltage",
    "A": "a current",
    "W": "a power",
    "Hz": "a frequency",
    "s": "a time",
    "S": "a transconductance",
    "J": "an energy",
    "%": "a percentage",
}


def _tails(unit: str) -> dict[str, int]:
    """Every ending that may follow a number of this unit, with its power of ten."""
    prefixes = {p: POWER[p] for p in PREFIXES[unit].split(",")}
    if unit == "F":
        prefixes |= FARAD_CAPITALS
    tails = dict(prefixes)
    for word in WORDS[unit].split(","):
        tails |= {p + word: power for p, power in prefixes.items()}
    return tails | EXTRA.get(unit, {})


def _marks(unit: str) -> dict[str, int]:
    """Letters that may stand in the place of the decimal point (IEC 60062)."""
    marks = {tail: power for tail, power in TAILS[unit].items() if tail in POWER and tail}
    if unit == "ohm":
        marks["R"] = 0
    if unit == "F":
        marks |= FARAD_CAPITALS | {"m": -3}
    return marks


TAILS = {unit: _tails(unit) for unit in UNITS}
MARKS = {unit: _marks(unit) for unit in UNITS}
# IEC 60062 marks 10 millifarad '10m'; '10 mF' stays refused (see PREFIXES).
TAILS["F"]["m"] = -3
