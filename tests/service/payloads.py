"""Payloads that no sensor should send and somebody will."""

import json
import random
from collections.abc import Iterator

_MARKUP = [
    "<script>alert(1)</script>",
    "<img src=x onerror=alert(1)>",
    "&lt;b&gt;",
    "{{ 7 * 7 }}",
    "{% for x in y %}",
    "]]>",
]
_HEADERS = [
    "23\r\nBcc: all@under-stairs.example",
    "\r\n.\r\nMAIL FROM:<x@under-stairs.example>",
    "=?utf-8?q?=0d=0aBcc:?=",
    "Subject: cold\n\n",
]
_NUMBERS = [
    "NaN", "nan", "-inf", "Infinity", "1e400", "-1e400", "1e-400", "1e308", "0x1f", "1_000",
    "\u0662\u0663", "\uff11\uff12", "--5", "+-3", "1,5", "1.", ".5", "1e",
    "9" * 5000, "-", "", " ", "23 C", "true", "null", "1e99999999999", "0." + "0" * 10000 + "1",
]  # fmt: skip
_SENML = [
    '[{"n":"t","v":1e400}]',
    '[{"n":"t","t":-1e300,"v":20}]',
    '[{"n":"t","t":1e300,"v":20}]',
    '[{"bt":1e308,"n":"t","t":1e308,"v":20}]',
    '[{"n":"t","t":NaN,"v":20}]',
    '[{"bn":"' + "a" * 3000 + '","v":1}]',
    '[{"n":"t","v":20,"x_":1}]',
    '[{"bver":1e9,"n":"t","v":1}]',
    '[{"n":["t"],"v":1}]',
    "[[]]",
    "[null]",
    '[{"n":"t","u":"<b>","v":1}]',
    '[{"n":"t","t":268435456,"v":20}]',
    '[{"bv":1e308,"n":"t","v":1e308}]',
]


def hostile(count: int, seed: int) -> Iterator[bytes]:
    """Give so many payloads, the same for a seed: crafted ones first, then ones made at random."""
    source = random.Random(seed)
    crafted = [
        *(text.encode() for text in (*_NUMBERS, *_SENML, *_MARKUP, *_HEADERS)),
        *(json.dumps({"temperature": text}).encode() for text in (*_NUMBERS, *_MARKUP, *_HEADERS)),
        *(f'{{"temperature": {text}}}'.encode() for text in _NUMBERS),
        b'{"a":' * 50_000 + b"1" + b"}" * 50_000,
        b"[" * 100_000,
        b'{"temperature": "' + b"A" * 1_000_000 + b'"}',
        b"\0" * 1_000_000,
        bytes(range(256)),
        b"\xff\xfe\xfd",
        b"\xc3\x28",
        b"\xed\xa0\x80",
        b"\xef\xbb\xbf23",
        b'{"temperature": 1, "temperature": "\\ud800"}',
        b"\x1b[2J\x1b]0;title\x07",
        b"23\x00",
    ]
    yield from crafted[:count]
    for _ in range(count - len(crafted)):
        yield _random(source, crafted)


def _random(source: random.Random, crafted: list[bytes]) -> bytes:
    kind = source.randrange(4)
    if kind == 0:
        return source.randbytes(source.randrange(60))
    if kind == 1:
        letters = '{}[]":,.0123456789eE+-tfn<>\\\r\n\x00\x1b é\u202e'
        return "".join(source.choices(letters, k=source.randrange(80))).encode()
    base = bytearray(source.choice([each for each in crafted if len(each) < 500]))
    for _ in range(source.randrange(1, 4)):
        base.insert(source.randrange(len(base) + 1), source.randrange(256))
    if kind == 2 and base:
        del base[source.randrange(len(base)) :]
    return bytes(base)
