"""Quantities against the SI brochure's and NIST's factors, words against the spelling of English numerals."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.core.units import (
    KPA_PER_PSI,
    UNITS,
    Dimension,
    QuantityError,
    number_words,
    parse_quantity,
    plain_or_written,
    shown_pressure,
    shown_temperature,
    unit_names,
)

# NIST SP 811 (2008), appendix B.8: the factors printed there, to the digits printed there.
NIST_SP_811 = [
    ("1 psi", "pressure", 6.894757),  # pound-force per square inch to kPa
    ("1 bar", "pressure", 100.0),  # bar to kPa, exact
    ("101325 Pa", "pressure", 101.325),  # standard atmosphere, exact
    ("1 MPa", "pressure", 1000.0),
    ("1 ft", "altitude", 0.3048),  # foot to metre, exact
    ("1 d", "time", 86400.0),  # day to second, exact
    ("1 h", "time", 3600.0),
    ("212 F", "temperature", 100.0),  # t/C = (t/F - 32)/1.8
    ("-40 F", "temperature", -40.0),
    ("273.15 K", "temperature", 0.0),
    ("1.8 F", "temperature_step", 1.0),
    ("1 kg", "mass", 1000.0),
    ("16.5 L", "volume", 16500.0),
    ("1.2 cm", "length", 12.0),
    ("1130 kg/m3", "density", 1.13),
    ("50 %RH", "humidity", 50.0),
    ("4 mA", "current", 0.004),  # SI prefixes, exact
    ("7.8125 µV", "voltage", 7.8125e-6),
    ("0.15 kohm", "resistance", 150.0),
]


@pytest.mark.parametrize(("written", "dimension", "value"), NIST_SP_811)
def test_factors_are_the_published_ones(written: str, dimension: Dimension, value: float) -> None:
    assert parse_quantity(written, dimension) == pytest.approx(value, rel=5e-7, abs=1e-9)


def test_forty_and_sixty_psi_in_bar() -> None:
    # 1 lbf = 0.45359237 kg x 9.80665 m/s2, 1 in = 0.0254 m, all exact (NIST SP 811, B.8)
    exact = 0.45359237 * 9.80665 / 0.0254**2 / 1000
    assert pytest.approx(exact, rel=1e-12) == KPA_PER_PSI
    assert parse_quantity("40 psi", "pressure") / 100 == pytest.approx(2.7579029172672, rel=1e-12)
    assert parse_quantity("60psi", "pressure") / 100 == pytest.approx(4.1368543759008, rel=1e-12)


def test_a_bare_number_is_refused_with_what_to_write() -> None:
    for bare in (42, 42.0, "42"):
        with pytest.raises(QuantityError) as caught:
            parse_quantity(bare, "pressure")
        assert caught.value.problem == "42 has no unit"
        assert 'write "42 psi"' in caught.value.remedy
        assert "psi, kPa, bar, Pa, MPa or mbar" in caught.value.remedy


@pytest.mark.parametrize(
    ("written", "dimension"),
    [
        ("42 C", "pressure"), ("42 mPa", "pressure"), ("3 m", "time"), ("-1 K", "temperature"), ("warm", "temperature"),
        ("nan psi", "pressure"), ("inf s", "time"), ("", "mass"), ("4_2 psi", "pressure"), ("٤٢ psi", "pressure"),
        ("9" * 400 + " psi", "pressure"), (True, "mass"), (None, "mass"), ([42, "psi"], "pressure"),
    ],
)  # fmt: skip
def test_what_does_not_fit_is_refused_with_a_remedy(written: object, dimension: Dimension) -> None:
    with pytest.raises(QuantityError) as caught:
        parse_quantity(written, dimension)
    assert caught.value.problem
    assert caught.value.remedy.startswith("write ")


@pytest.mark.parametrize("dimension", sorted(UNITS))
def test_every_unit_named_in_a_remedy_is_taken(dimension: Dimension) -> None:
    for name in unit_names(dimension).replace(" or ", ", ").split(", "):
        assert isinstance(parse_quantity(f"300 {name}", dimension), float)


def test_what_is_shown_follows_the_bench_units() -> None:
    kpa = 42 * KPA_PER_PSI
    assert [shown_pressure(kpa, unit) for unit in ("psi", "kPa", "bar")] == ["42 psi", "290 kPa", "2.9 bar"]
    assert shown_pressure(-0.2, "psi") == "0 psi"
    assert shown_temperature(22.5, "C") == "23 C"
    assert shown_temperature(100.0, "F") == "212 F"


# Spellings as any English dictionary has them.
DICTIONARY = {
    0: "zero", 4: "four", 12: "twelve", 14: "fourteen", 15: "fifteen", 18: "eighteen", 20: "twenty", 34: "thirty-four",
    40: "forty", 44: "forty-four", 80: "eighty", 99: "ninety-nine", 100: "one hundred", 105: "one hundred five",
    342: "three hundred forty-two", 1000: "one thousand", 1013: "one thousand thirteen",
    9999: "nine thousand nine hundred ninety-nine", -3: "minus three",
}  # fmt: skip


def test_number_words_are_spelled_right() -> None:
    assert {n: number_words(n) for n in DICTIONARY} == DICTIONARY


def read_words(words: str) -> int:
    """An independent reader: adds up words, multiplying at hundred and thousand."""
    worth = {
        "zero": 0, "one": 1, "two": 2, "three": 3, "four": 4, "five": 5, "six": 6, "seven": 7, "eight": 8, "nine": 9,
        "ten": 10, "eleven": 11, "twelve": 12, "thirteen": 13, "fourteen": 14, "fifteen": 15, "sixteen": 16,
        "seventeen": 17, "eighteen": 18, "nineteen": 19, "twenty": 20, "thirty": 30, "forty": 40, "fifty": 50,
        "sixty": 60, "seventy": 70, "eighty": 80, "ninety": 90,
    }  # fmt: skip
    total, group = 0, 0
    for word in words.replace("-", " ").split():
        if word == "thousand":
            total, group = total + group * 1000, 0
        elif word == "hundred":
            group *= 100
        else:
            group += worth[word]
    return total + group


def test_every_number_reads_back() -> None:
    spoken = [number_words(n) for n in range(10_000)]
    assert [read_words(words) for words in spoken] == list(range(10_000))


@pytest.mark.parametrize("number", [10_000, -10_000])
def test_a_number_no_bench_has_is_not_spoken(number: int) -> None:
    with pytest.raises(ValueError, match="outside"):
        number_words(number)


@given(st.text(max_size=30))
def test_any_text_gives_a_finite_number_or_a_remedy(text: str) -> None:
    try:
        outcome: float | str = parse_quantity(text, "pressure")
    except QuantityError as error:
        outcome = error.remedy
    assert outcome != ""
    assert isinstance(outcome, str) or abs(outcome) < float("inf")


@pytest.mark.parametrize(
    ("written", "dimension", "value"),
    [
        ("4 gal", "volume", 15_141.64711), ("2 quarts", "volume", 1_892.705892), ("1 fl oz", "volume", 29.57353),
        ("1/2 in", "length", 12.7), ("1 1/2 in", "length", 38.1), ('1-1/2"', "length", 38.1),
        ("2.5 inches", "length", 63.5),
        ("8 oz", "mass", 226.7962), ("2 lbs", "mass", 907.18474), ("3 minutes", "time", 180.0),
        ("300 mbar", "pressure", 30.0), ("16.5 litres", "volume", 16_500.0), ("50 percent", "humidity", 50.0),
    ],
)  # fmt: skip
def test_units_of_other_workshops_are_understood(written: str, dimension: Dimension, value: float) -> None:
    """NIST SP 811, appendix B.8: gallon (US) 3.785412 l, quart 0.9463529 l, fluid ounce 29.57353 ml, inch 25.4 mm,
    ounce 28.34952 g, pound 453.59237 g, millibar 0.1 kPa."""
    assert parse_quantity(written, dimension) == pytest.approx(value, rel=1e-6)


@pytest.mark.parametrize(
    ("written", "dimension", "remedy"),
    [
        ("16,5 l", "volume", 'write "16.5 l"'),
        ("4 bushel", "volume", 'for example "16.5 l"'),
        ("1/0 in", "length", "write"),
    ],
)
def test_what_is_not_understood_is_not_made_another_quantity(written: str, dimension: Dimension, remedy: str) -> None:
    with pytest.raises(QuantityError) as caught:
        parse_quantity(written, dimension)
    assert remedy in caught.value.remedy


@pytest.mark.parametrize(
    ("written", "dimension", "unit", "value"),
    [
        (28, "volume", "ml", 28.0), ("28", "volume", "ml", 28.0), ("28 ml", "volume", "ml", 28.0),
        ("0.028 l", "volume", "ml", 28.0), (9, "length", "cm", 9.0), ("90 mm", "length", "cm", 9.0),
        ("1 in", "length", "mm", 25.4), ("70F", "temperature", "C", 21.1111), (21.5, "temperature", "C", 21.5),
    ],
)  # fmt: skip
def test_a_key_that_names_its_unit_takes_both(written: object, dimension: Dimension, unit: str, value: float) -> None:
    assert plain_or_written(written, dimension, unit) == pytest.approx(value, rel=1e-5)
