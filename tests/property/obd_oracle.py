"""Raw answers decoded one byte at a time: the slow reference of the vectorised decoder.

Formulas written out by hand from SAE J1979-DA, appendix B (from memory, cross-checked in public PID tables),
not read from the project's table.
"""

from __future__ import annotations


def _trim(data: list[int]) -> float:
    return (data[0] - 128) * 100 / 128


def _ab(data: list[int]) -> int:
    return 256 * data[0] + data[1]


SCALARS = {
    0x04: (1, "load_pct", lambda d: d[0] * 100 / 255),
    0x05: (1, "coolant_degc", lambda d: d[0] - 40),
    0x06: (1, "stft_b1_pct", _trim),
    0x07: (1, "ltft_b1_pct", _trim),
    0x08: (1, "stft_b2_pct", _trim),
    0x09: (1, "ltft_b2_pct", _trim),
    0x0B: (1, "map_kpa", lambda d: d[0]),
    0x0C: (2, "rpm", lambda d: _ab(d) / 4),
    0x0D: (1, "speed_kmh", lambda d: d[0]),
    0x0F: (1, "intake_air_degc", lambda d: d[0] - 40),
    0x10: (2, "maf_gs", lambda d: _ab(d) / 100),
    0x11: (1, "throttle_pct", lambda d: d[0] * 100 / 255),
    0x1F: (2, "run_time_s", _ab),
    0x2E: (1, "purge_pct", lambda d: d[0] * 100 / 255),
    0x31: (2, "distance_since_clear_km", _ab),
    0x33: (1, "baro_kpa", lambda d: d[0]),
    0x3C: (2, "catalyst_b1s1_degc", lambda d: _ab(d) / 10 - 40),
    0x3D: (2, "catalyst_b2s1_degc", lambda d: _ab(d) / 10 - 40),
    0x42: (2, "supply_v", lambda d: _ab(d) / 1000),
    0x44: (2, "lambda_target", lambda d: _ab(d) * 2 / 65536),
    0x46: (1, "ambient_degc", lambda d: d[0] - 40),
    0x55: (1, "stft2_b1_pct", _trim),
    0x56: (1, "ltft2_b1_pct", _trim),
    0x57: (1, "stft2_b2_pct", _trim),
    0x58: (1, "ltft2_b2_pct", _trim),
    0xA6: (4, "odometer_km", lambda d: (_ab(d) * 65536 + _ab(d[2:])) / 10),
}
TRIMS = (0x06, 0x07, 0x08, 0x09, 0x55, 0x56, 0x57, 0x58)
NARROW = {0x14: "o2_b1s1_v", 0x15: "o2_b1s2_v", 0x18: "o2_b2s1_v", 0x19: "o2_b2s2_v"}  # PID $13 placing
WIDE_VOLTS = {0x24: "lambda_b1s1", 0x28: "lambda_b2s1"}
WIDE_CURRENT = {0x34: "b1s1", 0x38: "b2s1"}
UNPLACED = (0x16, 0x17, 0x26, 0x36)  # bank 1 or bank 2, unless $13 or $1D is known
NO_SIGNAL = {0x0E: 1, 0x1C: 1, 0x21: 2, 0x43: 2, 0x45: 1}


def signals_of(text: str) -> dict[str, float] | None:
    """Signals of a service $01 answer of a unit that tells nothing of its sensors; None if it is rejected."""
    bare = text.replace(" ", "")
    if not bare or len(bare) % 2 or any(letter not in "0123456789abcdefABCDEF" for letter in bare):
        return None
    data = [int(bare[place : place + 2], 16) for place in range(0, len(bare), 2)]
    if data[0] != 0x41 or len(data) < 2:
        return None
    rest, found, taken = data[1:], {}, 0
    while rest:
        pid, rest, taken = rest[0], rest[1:], taken + 1
        size = _size(pid, len(rest))
        if size is None or size > len(rest) or taken > 6:
            return None
        for name, value in _values(pid, rest[:size]).items():
            found[name] = min(value, found.get(name, value))
        rest = rest[size:]
    return found


def _size(pid: int, left: int) -> int | None:
    if pid in SCALARS:
        return 2 if pid in TRIMS and left == 2 else SCALARS[pid][0]
    if 0x14 <= pid <= 0x1B or pid == 0x03:
        return 2
    if 0x24 <= pid <= 0x2B or 0x34 <= pid <= 0x3B or pid == 0x01:
        return 4
    return NO_SIGNAL.get(pid)


def _values(pid: int, data: list[int]) -> dict[str, float]:
    if pid in SCALARS:
        return {SCALARS[pid][1]: SCALARS[pid][2](data)}
    if pid == 0x01:
        return {"mil_on": data[0] // 128}
    if pid == 0x03:
        return {"fuel_status_b1": data[0], "fuel_status_b2": data[1]}
    if pid in NARROW:
        return {NARROW[pid]: data[0] * 0.005}
    if pid in WIDE_VOLTS:
        return {WIDE_VOLTS[pid]: _ab(data) * 2 / 65536}
    if pid in WIDE_CURRENT:
        place = WIDE_CURRENT[pid]
        return {f"lambda_{place}": _ab(data) * 2 / 65536, f"pump_{place}_ma": _ab(data[2:]) / 256 - 128}
    return {}
