"""How inputs are spoilt: bytes turned, cut, doubled and nested, and values that no reader should be trusted with."""

import json
import re

LONG = 20_000
"""Bytes of a very long line, at most."""
NUMBERS = (
    "0", "-0", "-1", "1e400", "-1e400", "1e308", "5e-324", "1e-400", "9" * 40, "9" * 400, "9" * 5000,
    "0x7fffffffffffffff", "18446744073709551616",
    "-9223372036854775809", "NaN", "nan", "-nan", "inf", "-inf", "Infinity",
    "-Infinity", "1_000", "1__0", "01", "+1", "1.", ".5", "1e", "1e+", "٣", "１２", "0b1", "1,5",
)  # fmt: skip
ODD_TEXT = (
    "", " ", "\0", "\x1b[2J", "\x07", "\u202e", "\ufeff", "\u2028", "\r", "\n", "\t", "a\nb", "\x7f", "\x85", "\ud800",
    "𝔸", "é", "%s%n", "{0}", "{}", "${x}", "../../etc", "'", '"', "\\", "+", "#", "/", "null", "true",
    "x" * 300, "§" * 5000,
)  # fmt: skip
BAD_UTF8 = (
    b"\xff",
    b"\xfe\xff",
    b"\xc0\x80",
    b"\xed\xa0\x80",
    b"\xf5\x80\x80\x80",
    b"\xe2\x82",
    b"\x80",
    b"\xff\xfe{\0}\0",
)
_FIGURE = re.compile(rb"-?\d+(?:\.\d+)?(?:[eE][+-]?\d+)?")


def odd_text(chance):
    """A text with nothing usual about it."""
    return "".join(chance.choice(ODD_TEXT) for _ in range(chance.choice((1, 1, 1, 2, 5))))


def odd_json(chance, deep=0):
    """Source text of a JSON value, most of them out of place, some of them not JSON."""
    kind = chance.randrange(9 if deep < 4 else 5)
    if kind == 0:
        return chance.choice(NUMBERS)
    if kind == 1:
        return json.dumps(odd_text(chance))
    if kind == 2:
        return chance.choice(("null", "true", "false", "None", "", "undefined", "[]", "{}", '""'))
    if kind == 3:
        many = chance.choice((1, 3, 100, 1900, 5000))
        return chance.choice(("[", '{"a":', "[[],")) * many + chance.choice(("", "]" * many, "1"))
    if kind == 4:
        return str(chance.choice((chance.random(), chance.randrange(-(10**9), 10**12), chance.gauss(0, 1e6))))
    if kind == 5:
        return "[" + ",".join(odd_json(chance, deep + 1) for _ in range(chance.randrange(4))) + "]"
    pairs = (f"{json.dumps(odd_text(chance))}:{odd_json(chance, deep + 1)}" for _ in range(chance.randrange(3)))
    return "{" + ",".join(pairs) + "}"


def odd_object(chance, usual):
    """Source text of a JSON object: keys of `usual` (key -> good values as source), left out, doubled, out of place."""
    pairs, mild = [], chance.randrange(2)
    for key, good in usual.items():
        fate = chance.randrange(8 if mild else 12)
        value = chance.choice(good) if fate < 8 else odd_json(chance)
        if fate != 11:
            pairs.append((key, value))
        if fate == 10:
            pairs.append((key, chance.choice(good)))
    if chance.randrange(8) == 0:
        pairs.append((odd_text(chance), odd_json(chance)))
    if chance.randrange(4) == 0:
        chance.shuffle(pairs)
    gap = chance.choice(("", "", " ", "\t", " " * 100))
    return "{" + ",".join(f"{gap}{json.dumps(key)}:{gap}{value}" for key, value in pairs) + "}"


def spoil(chance, data, words=()):
    """Spoil bytes in one to four ways; `words` are further bytes that may be put in."""
    for _ in range(chance.choice((1, 1, 2, 4))):
        data = _once(chance, data, words)
    return data


def _once(chance, data, words):
    size = len(data)
    at = chance.randrange(size + 1)
    to = min(size, at + chance.choice((1, 2, 8, 64, size + 1)))
    way = chance.randrange(12)
    if way == 0 and size:
        spoilt = bytearray(data)
        for _ in range(chance.choice((1, 1, 3, 20))):
            spoilt[chance.randrange(size)] ^= 1 << chance.randrange(8)
        return bytes(spoilt)
    if way == 1:
        return data[:at]
    if way == 2:
        return data[:at] + data[to:]
    if way == 3:
        return data[:to] + data[at:to] * chance.choice((1, 1, 2, 50)) + data[to:] if to - at < 200 else data + data[at:]
    if way == 4:
        return data[:at] + bytes(chance.randrange(256) for _ in range(chance.choice((1, 4, 30)))) + data[to:]
    if way == 5:
        return data[:at] + chance.choice(BAD_UTF8) + data[at:]
    if way == 6:
        many = chance.choice((2, 50, 1500, 8000))
        return data[:at] + chance.choice((b"[", b"{", b'{"a":', b"[[", b"(", b"a.", b'"')) * many + data[at:]
    if way == 7:
        return (
            data[:at] + chance.choice((b"x", b" ", b"0", b"=", b"\0", b"\n", b",")) * chance.randrange(LONG) + data[at:]
        )
    if way == 8:
        return data[:at] + odd_text(chance).encode("utf-8", "surrogatepass") + data[at:]
    if way == 9 and words:
        return data[:at] + chance.choice(words) + data[to if chance.randrange(2) else at :]
    figures = list(_FIGURE.finditer(data)) if way in (9, 10) else ()
    if figures:
        one = chance.choice(figures)
        return data[: one.start()] + chance.choice(NUMBERS).encode() + data[one.end() :]
    lines = data.splitlines(keepends=True)
    if len(lines) > 1:
        one, other = chance.randrange(len(lines)), chance.randrange(len(lines))
        lines[one], lines[other] = lines[other], lines[one]
        return b"".join(lines)
    return data + data[:at]
