"""The library that writes custody lines, against the published vectors of RFC 8785.

Vectors: github cyberphone/json-canonicalization, testdata. Digests are of the canonical bytes.
"""

from __future__ import annotations

import hashlib
import json
import struct

import pytest
import rfc8785

from evidence.archive.custody_lines import is_canonical

CASES = {
    "arrays": (
        '[ 56, { "d": true, "10": null, "1": [ ] } ]',
        "099601b171cafed97c333f8878d68e7f8c8f795412adb34b2fdcf0e7c7beac42",
    ),
    "structures": (
        (
            '{"1": {"f": {"f": "hi","F": 5} ,"\\n": 56.0}, "10": { }, "": "empty", "a": { },'
            ' "111": [ {"e": "yes","E": "no" } ], "A": { }}'
        ),
        "605f65004ec2db7692522a0852c22f1c989e036d547e88963d1a3143cf3195d5",
    ),
    "values": (
        (
            '{"numbers": [333333333.33333329, 1E30, 4.50, 2e-3, 0.000000000000000000000000001],'
            ' "string": "\\u20ac$\\u000F\\u000aA\'\\u0042\\u0022\\u005c\\\\\\"\\/", "literals": [null, true, false]}'
        ),
        "2d5e01a318d0f0879ab568c4be289c8b1f64ef8921a53c6277d5e069978baacb",
    ),
    "weird": (
        (
            '{"\\u20ac": "Euro Sign", "\\r": "Carriage Return", "\\u000a": "Newline", "1": "One",'
            ' "\\u0080": "Control\\u007f", "\\ud83d\\ude02": "Smiley", "\\u00f6": "Latin Small Letter O With Diaeresis",'
            ' "\\ufb33": "Hebrew Letter Dalet With Dagesh", "</script>": "Browser Challenge"}'
        ),
        "6af595a9aa80110b964b4de3f82a05fa6ae7423005019bacfa2620dddc4e94d1",
    ),
    "unicode": (
        '{"Unnormalized Unicode":"A\\u030a"}',
        "0d99aad92a125196ff887876643fd3206786a84ddce2cee52ba4ad256d2381d3",
    ),
    "french": (
        (
            '{"peach": "This sorting order", "p\\u00e9ch\\u00e9": "is wrong according to French",'
            ' "p\\u00eache": "but canonicalization MUST", "sin": "ignore locale"}'
        ),
        "d99d0ebdcb0033cb858cfa830ae46bc0fb3309413b271f1da828c89901a27ed5",
    ),
}


@pytest.mark.parametrize("name", CASES)
def test_published_documents_come_out_as_published(name):
    source, digest = CASES[name]
    written = rfc8785.dumps(json.loads(source))
    assert hashlib.sha256(written).hexdigest() == digest, written


@pytest.mark.parametrize(
    ("bits", "text"),
    [
        ("4340000000000001", "9007199254740994"),
        ("444b1ae4d6e2ef50", "1e+21"),
        ("3eb0c6f7a0b5ed8d", "0.000001"),
        ("3eb0c6f7a0b5ed8c", "9.999999999999997e-7"),
        ("8000000000000000", "0"),
    ],
)
def test_published_doubles_come_out_as_published(bits, text):
    (number,) = struct.unpack(">d", bytes.fromhex(bits))
    assert rfc8785.dumps(number).decode() == text


@pytest.mark.parametrize(
    "value",
    [{"ö": 1, "€": 2, "\U0001f602": 3, "\ufb33": 4}, {"n": 1e30}, {"n": 1.0}, {"s": "\x0f\u2028/"}],
    ids=["utf16-order", "exponent", "whole-float", "escapes"],
)
def test_our_quick_check_of_a_lines_form_agrees_with_the_library(value):
    line = rfc8785.dumps(value)
    assert is_canonical(line, json.loads(line))
    for other in (line + b" ", line.replace(b":", b": ", 1), b" " + line):
        assert not is_canonical(other, json.loads(other))
