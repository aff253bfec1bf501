"""Which column of a heat soak's table is what, and in which unit.

The head may carry the unit ('time_min', 'Temperature (F)', 'emf_mv'), or each cell may. Columns that are called
otherwise are named by a mapping: 'temp=T1', or 'temp=T1 (F)' where neither head nor cells say the unit.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from tracker.bench import thermometry
from tracker.bench.headers import mapping
from tracker.errors import BadRequest

Columns = dict[str, tuple[int, str | None]]
"""By role: the place of its column, and the unit its head names (None: cells have units)."""
_STATED = re.compile(r"(?P<base>.*\S)\s*[(\[]\s*(?P<unit>[^()\[\]]+?)\s*[)\]]")


@dataclass(frozen=True, slots=True)
class Role:
    """What a column may be: its names, the kind of its cells, and the units its name may end with.

    `units` gives (factor, shift) to SI units and degrees Celsius; all are exact by definition.
    """

    names: tuple[str, ...]
    kind: str
    units: Mapping[str, tuple[float, float]]
    lowest: float
    highest: float


_TIMES = {
    **dict.fromkeys(("s", "sec", "secs", "second", "seconds"), (1.0, 0.0)),
    **dict.fromkeys(("min", "mins", "minute", "minutes"), (60.0, 0.0)),
    **dict.fromkeys(("h", "hr", "hrs", "hour", "hours"), (3600.0, 0.0)),
    **dict.fromkeys(("d", "day", "days"), (86400.0, 0.0)),
    "ms": (1e-3, 0.0),
}
_TEMPERATURES = {
    **dict.fromkeys(("c", "degc", "deg_c", "celsius"), (1.0, 0.0)),
    **dict.fromkeys(("f", "degf", "deg_f", "fahrenheit"), (5.0 / 9.0, -160.0 / 9.0)),
    **dict.fromkeys(("k", "kelvin"), (1.0, -thermometry.ZERO_C_K)),
}
_EMFS = {"v": (1e3, 0.0), "mv": (1.0, 0.0), "uv": (1e-3, 0.0), "µv": (1e-3, 0.0)}
_OHMS = {**dict.fromkeys(("ohm", "ohms", "Ω"), (1.0, 0.0)), **dict.fromkeys(("kohm", "kohms", "kΩ"), (1e3, 0.0))}
# The ends are far outside any bench; they keep a slip of the keyboard from ending as an overflow.
ROLES: Mapping[str, Role] = {
    "time": Role(("time", "elapsed", "elapsed_time", "t"), "time", _TIMES, 0.0, 1e9),
    "temp": Role(("temp", "temperature"), "temperature", _TEMPERATURES, -273.15, 1e5),
    "ambient": Role(
        ("ambient", "ambient_temp", "ambient_temperature", "room"), "temperature", _TEMPERATURES, -273.15, 1e5
    ),
    "junction": Role(("cold_junction", "junction"), "temperature", _TEMPERATURES, -273.15, 1e5),
    "emf": Role(("emf", "thermocouple"), "voltage", _EMFS, -1e3, 1e3),
    "resistance": Role(("resistance", "thermistor"), "resistance", _OHMS, 0.0, 1e9),
}
_TEMPERATURE_ROLES = ("temp", "emf", "resistance")
_SPELLED = {"cold_junction": "junction"}
"""How a role is called in a mapping where that differs."""
_QUANTITIES = ("temp", *(role for role in ROLES if role != "temp"), *_SPELLED)


def columns_of(names: Sequence[str], name: str, mapped: Sequence[str] = ()) -> Columns:
    """Return for each role the place of its column and the unit its head names.

    Parameters
    ----------
    names : sequence of str
        The heads in small letters.
    name : str
        Of the file.
    mapped : sequence of str
        'QUANTITY=COLUMN' pairs, which come before what the heads say.

    Raises
    ------
    BadRequest
        Time or temperature has no column, or more than one; or a pair names none.
    """
    found = _mapped(names, mapped)
    taken = {place for place, _ in found.values()}
    named = set(found)
    for position, column in enumerate(names):
        role, unit = _role_of(column)
        if role is None or position in taken or role in named:
            continue
        if role in found:
            raise BadRequest(
                f"{name} has two columns for the {role}: {names[found[role][0]]!r} and {column!r}.",
                f"Say which: --column {role}=COLUMN.",
            )
        if role in _TEMPERATURE_ROLES and named & set(_TEMPERATURE_ROLES):
            continue
        found[role] = (position, unit)
    return _complete(found, ", ".join(filter(None, names)) or "none", name)


def _complete(found: Columns, there: str, name: str) -> Columns:
    given = [role for role in _TEMPERATURE_ROLES if role in found]
    if "time" not in found or not given:
        lacking = "time" if "time" not in found else "temperature"
        raise BadRequest(
            f"{name} has no column for the {lacking}; its columns are: {there}.",
            f"Name them in the first line, as in time_s,temp_c,ambient_c; or say which: --column "
            f"{'time' if lacking == 'time' else 'temp'}=COLUMN.",
        )
    if len(given) > 1:
        raise BadRequest(
            f"{name} gives the temperature twice: {there}.", "Leave one of the columns out, or say which with --column."
        )
    return found


def _mapped(names: Sequence[str], pairs: Sequence[str]) -> Columns:
    found: Columns = {}
    for said, column in mapping(pairs, _QUANTITIES, "a heat soak").items():
        role = _SPELLED.get(said, said)
        if role in found:
            raise BadRequest(f"The column of {said!r} is named twice.")
        found[role] = _place(names, column, role)
    return found


def _place(names: Sequence[str], wanted: str, role: str) -> tuple[int, str | None]:
    """Return the place of the column called `wanted`, and its unit: as stated behind it, or as its own head ends."""
    units = ROLES[role].units
    stated = _STATED.fullmatch(wanted)
    for called, unit in ((wanted, None), (stated["base"], stated["unit"]) if stated else ("", None)):
        places = [i for i, head in enumerate(names) if called and head == called.lower()]
        if len(places) > 1:
            raise BadRequest(f"More than one column is called {called!r}.", "Give them different names in the file.")
        if places and unit is not None:
            if unit.lower() not in units:
                raise BadRequest(f"{unit!r} is no unit of {ROLES[role].kind}.", f"Say one of {', '.join(units)}.")
            return places[0], unit.lower()
        if places:
            ending = _plain(names[places[0]]).rpartition("_")
            return places[0], ending[2] if ending[0] and ending[2] in units else None
    there = ", ".join(filter(None, names)) or "none"
    raise BadRequest(f"There is no column {wanted!r}; the columns are: {there}.", "Name one of them with --column.")


def _role_of(column: str) -> tuple[str | None, str | None]:
    plain = _plain(column)
    for name, role in sorted(ROLES.items(), key=lambda item: -max(map(len, item[1].names))):
        for spelled in role.names:
            if plain == spelled:
                return name, None
            if plain.startswith(f"{spelled}_") and plain[len(spelled) + 1 :] in role.units:
                return name, plain[len(spelled) + 1 :]
    return None, None


def _plain(column: str) -> str:
    return re.sub(r"[\s()\[\]°/,:._-]+", "_", column).strip("_")
