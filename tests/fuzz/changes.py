"""How inputs are changed: bytes of anything, tags of DXF, values of TOML and JSON, entries of zip files."""

from __future__ import annotations

import io
import json
import random
import struct
import tomllib
import zipfile
import zlib
from typing import Any

NUMBERS = (
    0, 1, -1, 2, 3, 0.0, -0.0, 1e-9, 1e-300, 1e9, 1e12, -1e12, 1e300, 9.99e11, 0.1, 89.999, 255, 256, 65535, 65536,
    2**31 - 1, 2**31, 2**32, 2**53, 2**63, 2**64, 10**400, float("inf"), float("-inf"), float("nan"), 5e-324,
)  # fmt: skip
WORDS = (
    "", " ", "a", "\u001b[31mred", "\u009b31m", "\u202eleft", "../../etc/passwd", "/dev/zero", "C:\\x",
    "\\\\host\\share",
    "=1+1", "@SUM(A1)", "-2+3", "<script>alert(1)</script>", "]]>", "</script><!--", "[bold]x[/bold]", "[/]",
    "%s%n{0}{}",
    "\u0000", "a\nb", "\ufeff", "\ud7ff", "é" * 200, "a" * 300, "*", "?", "[", "[!", "**", "水", "İ", "ß", "1,5",
    "1e999",
    "nan", "inf", "6 ft", "-6 ft", "0x10", "٣", "${HOME}", "$(x)", "`x`", "mm", "nec-2023", "duct", "box", "x.dxf",
)  # fmt: skip
TOKENS = (
    b"nan", b"-nan", b"inf", b"-1", b"0", b"4294967295", b"2147483648", b"-2147483649", b"1e400", b"1e-400", b"9" * 400,
    b"\xff\xfe", b"\x00", b"\xed\xa0\x80", b"\x1b[31m", b"\r", b"\n\n", b"\xef\xbb\xbf", b"1,5", b"", b"+", b"1_000",
    b"0x1f",
)  # fmt: skip


CODES = (0, 1, 2, 5, 8, 10, 11, 20, 30, 38, 39, 40, 42, 62, 66, 70, 71, 72, 73, 90, 91, 210, 330, 999, 1001, -5)
BROKEN = (
    zipfile.BadZipFile, ValueError, OSError, NotImplementedError, zlib.error, EOFError, RuntimeError, IndexError,
    KeyError, struct.error,
)  # fmt: skip


def bytes_changed(data: bytes, rnd: random.Random) -> bytes:
    """Flip, overwrite, cut, double, insert or remove."""
    if not data:
        return bytes(rnd.randrange(256) for _ in range(rnd.randrange(40)))
    out = bytearray(data)
    at = rnd.randrange(len(out)) if rnd.random() < 0.7 else rnd.randrange(min(len(out), 400))
    kind = rnd.randrange(9)
    if kind == 0:
        out[at] ^= 1 << rnd.randrange(8)
    elif kind == 1:
        out[at] = rnd.randrange(256)
    elif kind == 2:
        del out[at : at + rnd.choice((1, 2, 8, 60, 1000))]
    elif kind == 3:
        length = rnd.choice((1, 4, 50, 500))
        out[at:at] = out[at : at + length] * rnd.choice((1, 1, 2, 20))
    elif kind == 4:
        out[at:at] = rnd.choice(TOKENS)
    elif kind == 5:
        del out[at:]
    elif kind == 6:
        number = rnd.choice((0, 1, 2**31 - 1, 2**31, 2**32 - 1, 0x7FC00000, 0x7F800000, 255))
        out[at : at + 4] = struct.pack("<I", number)
    elif kind == 7:
        out[at : at + 8] = struct.pack("<d", rnd.choice([n for n in NUMBERS if isinstance(n, float)]))
    else:
        other = rnd.randrange(len(out))
        length = rnd.choice((1, 4, 16, 200))
        out[at : at + length] = out[other : other + length]
    return bytes(out)


def lines_changed(data: bytes, rnd: random.Random) -> bytes:
    """Change one word of a text, or lose, double, move or swap lines."""
    lines = data.split(b"\n")
    at = rnd.randrange(len(lines))
    kind = rnd.randrange(6)
    if kind <= 1:
        words = lines[at].split(b" ")
        words[rnd.randrange(len(words))] = rnd.choice(TOKENS)
        lines[at] = b" ".join(words)
    elif kind == 2:
        del lines[at : at + rnd.choice((1, 1, 2, 10))]
    elif kind == 3:
        lines[at:at] = lines[at : at + rnd.choice((1, 4, 20))] * rnd.choice((1, 3))
    elif kind == 4:
        other = rnd.randrange(len(lines))
        lines[at], lines[other] = lines[other], lines[at]
    else:
        lines = lines[:at]
    return b"\n".join(lines)


def tags_changed(data: bytes, rnd: random.Random) -> bytes:
    """Change the value of one group code of a text DXF, or its code, or lose, double or move whole entities."""
    if rnd.random() < 0.15 or data[:22].endswith(b"\r\n\x1a\x00") or data.count(b"\n") < 8:
        return bytes_changed(data, rnd)
    lines = data.replace(b"\r\n", b"\n").split(b"\n")
    if rnd.random() < 0.7 and b"ENTITIES" in lines:
        start = (
            lines.index(b"ENTITIES") + 1 if rnd.random() < 0.7 or b"BLOCKS" not in lines else lines.index(b"BLOCKS") + 1
        )
    else:
        start = 0
    pair = start + 2 * rnd.randrange(max((len(lines) - start) // 2, 1))
    if pair + 1 >= len(lines):
        return bytes_changed(data, rnd)
    kind = rnd.randrange(7)
    if kind <= 2:
        lines[pair + 1] = rnd.choice((*TOKENS, b"%d" % rnd.choice((0, 1, 2, 4, 64, 70000)), rnd.choice(lines)))
    elif kind == 3:
        lines[pair] = b"%3d" % rnd.choice(CODES)
    elif kind == 4:
        del lines[pair : pair + 2 * rnd.choice((1, 1, 2, 8))]
    elif kind == 5:
        length = 2 * rnd.choice((1, 3, 12, 40))
        lines[pair:pair] = lines[pair : pair + length] * rnd.choice((1, 1, 5))
    else:
        heads = [i for i in range(0, len(lines) - 1) if lines[i].strip() == b"0"]
        a, b = rnd.choice(heads), rnd.choice(heads)
        lines[a + 1], lines[b + 1] = lines[b + 1], lines[a + 1]
    return b"\n".join(lines)


def _leaves(node: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    places = [path] if path else []
    if isinstance(node, dict):
        for key, value in node.items():
            places += _leaves(value, (*path, key))
    elif isinstance(node, list):
        for number, value in enumerate(node):
            places += _leaves(value, (*path, number))
    return places


def _value(rnd: random.Random, depth: int = 0) -> Any:
    kind = rnd.randrange(9)
    if kind <= 3:
        return rnd.choice(NUMBERS)
    if kind <= 6:
        return rnd.choice(WORDS)
    if kind == 7:
        return rnd.random() < 0.5
    if depth > 2:
        return []
    if rnd.random() < 0.5:
        return [_value(rnd, depth + 1) for _ in range(rnd.randrange(4))]
    return {rnd.choice(("id", "name", "x", *WORDS[5:9])): _value(rnd, depth + 1) for _ in range(rnd.randrange(3))}


def tree_changed(tree: Any, rnd: random.Random) -> Any:
    """Change one place of nested dictionaries and lists, in place: its value, its key, or take it out or double it."""
    places = _leaves(tree)
    if not places:
        return _value(rnd)
    path = rnd.choice(places)
    node = tree
    for part in path[:-1]:
        node = node[part]
    last, kind = path[-1], rnd.randrange(10)
    if kind <= 3:
        node[last] = _value(rnd)
    elif kind == 4:
        del node[last]
    elif kind == 5 and isinstance(node, dict):
        node[rnd.choice(WORDS)] = node.pop(last)
    elif kind == 6 and isinstance(node, list):
        node[last:last] = node[last : last + 1] * rnd.choice((1, 2, 50))
    elif kind == 7:
        other = rnd.choice(places)
        there = tree
        for part in other:
            there = there[part]
        node[last] = json.loads(json.dumps(there, default=str))
    elif isinstance(node[last], int | float) and not isinstance(node[last], bool):
        value = node[last]
        node[last] = rnd.choice((-value, value * 10, value / 1000, value + 1, value * 1e6, value + 1e-7))
    elif isinstance(node[last], str):
        text = node[last]
        cut = rnd.randrange(len(text) + 1)
        node[last] = text[:cut] + rnd.choice(WORDS) + text[cut:]
    elif isinstance(node, dict):
        node[rnd.choice(WORDS)] = _value(rnd)
    return tree


def toml_text(tree: dict[str, Any]) -> str:
    """Return tables as TOML: those at the top by their heads, all below them inline."""
    plain = {key: value for key, value in tree.items() if not _is_table(value)}
    lines = [f"{_key(key)} = {_inline(value)}" for key, value in plain.items()]
    for key, value in tree.items():
        if _is_table(value):
            for table in value if isinstance(value, list) else [value]:
                lines.append(f"[[{_key(key)}]]" if isinstance(value, list) else f"[{_key(key)}]")
                lines += [f"{_key(k)} = {_inline(v)}" for k, v in table.items()]
    return "\n".join(lines) + "\n"


def _is_table(value: Any) -> bool:
    return isinstance(value, dict) or (
        isinstance(value, list) and bool(value) and all(isinstance(v, dict) for v in value)
    )


def _key(key: str) -> str:
    return json.dumps(str(key), ensure_ascii=True).replace("\x7f", "\\u007f")


def _inline(value: Any) -> str:
    if isinstance(value, dict):
        return "{" + ", ".join(f"{_key(k)} = {_inline(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(_inline(v) for v in value) + "]"
    if isinstance(value, str):
        return _key(value)
    if isinstance(value, bool):
        return "true" if value else "false"
    return repr(value)


def toml_changed(data: bytes, rnd: random.Random) -> bytes:
    """Change a TOML file by its values; where that cannot be written, or is no TOML any more, by its bytes."""
    if rnd.random() < 0.85:
        try:
            return toml_text(tree_changed(tomllib.loads(data.decode()), rnd)).encode()
        except (ValueError, TypeError, KeyError, AttributeError, IndexError, RecursionError, OverflowError):
            pass
    return lines_changed(data, rnd) if rnd.random() < 0.5 else bytes_changed(data, rnd)


def json_changed(data: bytes, rnd: random.Random) -> bytes:
    """Change a JSON file by its values, or by its bytes."""
    if rnd.random() < 0.85:
        try:
            return json.dumps(tree_changed(json.loads(data), rnd)).encode()
        except (ValueError, TypeError, KeyError, RecursionError, OverflowError):
            pass
    return bytes_changed(data, rnd)


def glb_changed(data: bytes, rnd: random.Random) -> bytes:
    """Change the JSON of a binary glTF file and keep its frame, or change its bytes."""
    try:
        length = struct.unpack_from("<I", data, 12)[0]
        said, rest = data[20 : 20 + length], data[20 + length :]
        if rnd.random() < 0.8:
            text = json.dumps(tree_changed(json.loads(said), rnd)).encode()
            text += b" " * (-len(text) % 4)
            return data[:8] + struct.pack("<III", 20 + len(text) + len(rest), len(text), 0x4E4F534A) + text + rest
    except (ValueError, TypeError, KeyError, struct.error, RecursionError, OverflowError):
        pass
    return bytes_changed(data, rnd)


def zip_changed(data: bytes, rnd: random.Random) -> bytes:
    """Change an entry of a zip file, its name, or how often it is there; or the bytes of the whole."""
    if rnd.random() < 0.2:
        return bytes_changed(data, rnd)
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            entries = [(info.filename, archive.read(info)) for info in archive.infolist()]
        at = rnd.randrange(len(entries))
        name, body = entries[at]
        kind = rnd.randrange(8)
        if kind <= 3:
            entries[at] = (name, lines_changed(body, rnd) if rnd.random() < 0.3 else _xml_changed(body, rnd))
        elif kind == 4:
            entries[at] = (name, bytes_changed(body, rnd))
        elif kind == 5:
            entries[at] = (
                rnd.choice(("../" + name, "/" + name, name.upper(), name * 30, "C:" + name, "a\\" + name)),
                body,
            )
        elif kind == 6:
            del entries[at]
        else:
            entries[at] = (
                name,
                rnd.choice((b"", b"\0" * 3_000_000, b"<a>" * 5000, b'<!DOCTYPE a [<!ENTITY b "c">]><a>&b;</a>')),
            )
        out = io.BytesIO()
        with zipfile.ZipFile(out, "w", rnd.choice((zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED))) as archive:
            for entry, content in entries:
                archive.writestr(entry, content)
        return out.getvalue()
    except BROKEN:
        return bytes_changed(data, rnd)


def _xml_changed(body: bytes, rnd: random.Random) -> bytes:
    """Change one attribute or text of an XML file, or lose or double one element's tag."""
    marks = [i for i, c in enumerate(body) if c in b'<>"/&']
    if len(marks) < 4:
        return bytes_changed(body, rnd)
    a = rnd.randrange(len(marks) - 1)
    low, high = marks[a] + 1, marks[min(a + rnd.choice((1, 1, 1, 2, 6)), len(marks) - 1)]
    kind = rnd.randrange(4)
    if kind == 0:
        return body[:low] + body[high:]
    if kind == 1:
        return body[:low] + body[low:high] * 2 + body[high:]
    word = rnd.choice(
        (*WORDS, *map(str, NUMBERS[:20]), "9999-99-99T99:99:99Z", "2026-01-31", "0000-00-00", "&#0;", "&lt;")
    )
    return body[:low] + word.encode("utf-8", "replace") + body[high:]
