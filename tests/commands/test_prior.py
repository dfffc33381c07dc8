"""Do benches pass on what they learned of a resin, without names, and does one that takes it say so?"""

from __future__ import annotations

import asyncio
import json
import shutil
from collections.abc import Mapping
from dataclasses import replace
from math import hypot
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from mosquitto import needs_mosquitto, running
from outlet_tools import Bench as Tooled
from phone import Phone
from shop_journal import T0

from benchd.cli import main
from benchd.core.bench import Bench, Cup, Lot, Resin
from benchd.core.findings import KickForecast, PourStarted
from benchd.core.learned.cure_belief import expectation
from benchd.core.learned.cure_lessons import Lesson, learn
from benchd.core.learned.shop_prior import WIDER, as_cure, checked_offer, combined, offer_of
from benchd.core.model import Reading, Subject, Tick
from benchd.core.seat.watcher import Place
from benchd.errors import DecodeError
from benchd.outlets.workshop import Settings, make
from benchd.physics.cup_model import LF
from benchd.physics.cure_prior import LOT_SD, POUR_SD, ResinBelief, label_belief, with_speed
from benchd.physics.label_cure import is_shops
from benchd.plugins import load_settings
from benchd.watchers import kick
from benchd.watchers.kick.tune import Settings as Tune

CONFIG = Path(__file__).parents[2] / "config"


def learned(speed: float = 0.1, sd: float = 0.05, pours: int = 6, id: str = "fast-white") -> Resin:
    """A resin as a bench knows it after some pours of lots with names."""
    belief = with_speed(label_belief(0.2), speed, sd)
    names = {"lots": {"r-07": [speed, sd, pours]}, "pours": [f"cup-1-{n}" for n in range(pours)]}
    cure = {**belief.to_plain(), "pot_life_s": 180.0, "width": 1.2, **names}
    return Resin(id=id, name="Fast white", pot_life_s=180.0, demold_s=600.0, cure=cure)


def offer(**given: Any) -> dict[str, Any]:
    found = offer_of(learned(**given))
    assert found is not None
    return found


def speed_of(plain: Mapping[str, Any]) -> tuple[float, float]:
    belief = ResinBelief.from_plain(plain)
    return float(belief.means[0, LF]), float(belief.covariances[0, LF, LF] ** 0.5)


def test_an_offer_holds_no_name_of_a_pour_or_lot() -> None:
    text = json.dumps(offer())
    assert "r-07" not in text
    assert "cup-1" not in text
    assert (offer()["pours"], offer()["lots"], offer()["benches"]) == (6, 1, 1)


def test_what_was_taken_from_a_shop_is_not_offered_on() -> None:
    taken = replace(learned(), cure=as_cure(offer()))
    assert is_shops(taken.cure)
    assert offer_of(taken) is None
    assert offer_of(replace(learned(), cure={})) is None


def test_two_benches_make_one_mean_and_their_difference_is_spread() -> None:
    """Worked by hand: means 0.0 and 0.2 with sd 0.05, six pours each: 0.1, and sqrt(0.05^2 + 0.1^2) = 0.1118."""
    both = combined([offer(speed=0.0), offer(speed=0.2)])
    mean, sd = speed_of(both)
    assert mean == pytest.approx(0.1, abs=1e-6)
    assert sd == pytest.approx(0.1118, abs=1e-4)
    assert (both["benches"], both["pours"], both["lots"]) == (2, 12, 2)
    assert speed_of(combined([offer(speed=0.0, pours=30), offer(speed=0.2, pours=10)]))[0] == pytest.approx(0.05)


def test_a_prior_is_wider_and_not_counted_as_learned_here() -> None:
    known = learned()
    prior = as_cure(offer())
    spread = speed_of(as_cure(offer(sd=0.25)))[1] ** 2  # 0.25^2 is the lots' own LOT_SD^2 and what else is unsure
    assert spread == pytest.approx(LOT_SD**2 + WIDER * (0.25**2 - LOT_SD**2), rel=1e-3)
    shape = [ResinBelief.from_plain(each).covariances[0, 2, 2] for each in (offer(), prior)]
    assert shape[1] == pytest.approx(WIDER * shape[0], rel=1e-3)
    told = {}
    for name, cure in (("label", {}), ("prior", prior), ("own", known.cure)):
        shown = replace(known, cure=cure)
        lots = (Lot(id="r-09", code="R-09", resin=shown.id, label=shown),)
        bench = Bench(id="north", shop="quiet-harbour", name="North", resins=(shown,), lots=lots)
        told[name] = expectation(bench, "r-09", shown)
    assert [told[name].is_learned for name in ("label", "prior", "own")] == [False, False, True]
    sds = [float(np.sqrt(told[name].resin.covariances[0, LF, LF])) for name in ("own", "prior", "label")]
    assert sds[0] < sds[1]
    assert sds[1] < hypot(
        sds[2], float(POUR_SD[LF])
    )  # the label's speed, with a pour's own spread as the others have it


def test_forecasts_say_where_they_come_from() -> None:
    """Before the cup's curve: from the label, from the shop's prior, and, once learned here, as before."""
    found = {}
    for name, cure in (("label", {}), ("shop", as_cure(offer())), ("own", learned().cure)):
        shown = replace(learned(), cure=cure)
        bench = Bench(id="north", shop="quiet-harbour", name="North", resins=(shown,), default_resin=shown.id)
        cup = Cup(id="cup-1", name="Cup one", kind="witness", mass_g=25.0)
        seat = kick.make(Tune(), Place(bench, Subject(bench="north", cup="cup-1"), cup=cup))
        about = Subject(bench="north", cup="cup-1", pour="cup-1-1")
        seat.see(Reading(T0 - 40.0, "room", "room_temperature", "", 23.0, 23.0))
        seat.see(PourStarted(t=T0, subject=about, mix_t=T0, lot=None, molds=(), inferred=False, number=1))
        told = [f for s in range(1, 20) for f in seat.see(Tick(T0 + s))]
        found[name] = {f.basis for f in told if isinstance(f, KickForecast)}
    assert found == {"label": {"label"}, "shop": {"shop"}, "own": {"label"}}


def test_own_pours_take_the_place_of_the_prior() -> None:
    """What is learned from a prior's start is the bench's own table; without a usable pour nothing is learned."""
    shown = replace(learned(), cure=as_cure(offer()))
    bench = Bench(id="north", shop="quiet-harbour", name="North", resins=(shown,))
    flat = Lesson(
        pour="cup-1-1", lot="r-9", kind="witness", mass_g=25.0, lag_s=3.0, label=shown, seconds=(), noise_k=0.1,
        room_c=23.0, start_c=23.0, kick=(150.0, 0.04),
    )  # fmt: skip
    table = learn(bench, shown, [flat]).table
    assert not is_shops(table)
    assert not table or table["pours"] == ["cup-1-1"]
    assert learn(bench, shown, []).table == {}


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"offer": "song"}, "no offer"), ({"resin": 3}, "no resin"), ({"pours": 0}, "pours"),
        ({"pours": True}, "pours"),
        ({"width": float("nan")}, "width"), ({"pot_life_s": "180"}, "pot_life_s"), ({"means": []}, "belief"),
        ({"covariances": [[1.0]]}, "belief"), ({"ln_weights": ["x", "y", "z"]}, "belief"),
    ],
)  # fmt: skip
def test_a_damaged_offer_is_refused_with_its_reason(change: dict[str, Any], says: str) -> None:
    with pytest.raises(DecodeError) as caught:
        checked_offer(offer() | change)
    assert says in str(caught.value)


def test_offers_of_different_labels_are_not_mixed() -> None:
    with pytest.raises(DecodeError, match="different labels"):
        combined([offer(), offer() | {"pot_life_s": 200.0}])


# ------------------------------------------------------------------------------------------------------ the command


@pytest.fixture
def config(tmp_path: Path) -> Path:
    for name in ("bench.toml", "shelf.toml"):
        shutil.copy(CONFIG / name, tmp_path / name)
    shutil.copytree(CONFIG / "resins", tmp_path / "resins")
    return tmp_path / "bench.toml"


def test_a_file_is_taken_told_and_undone(config: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    pot_life_s = next(r.pot_life_s for r in load_settings(config).bench.resins if r.id == "fast-white")
    for n, speed in enumerate((0.0, 0.1)):
        (tmp_path / f"offer-{n}.json").write_text(json.dumps(offer(speed=speed) | {"pot_life_s": pot_life_s}))
    files = [str(tmp_path / f"offer-{n}.json") for n in (0, 1)]
    assert main(["learn", "fast-white", "-c", str(config), "--prior", *files]) == 0
    assert "From 12 pours of 2 lots on 2 benches, widened" in capsys.readouterr().out
    taken = next(r for r in load_settings(config).bench.resins if r.id == "fast-white")
    assert is_shops(taken.cure)
    assert main(["learn", "fast-white", "-c", str(config), "--offer", str(tmp_path / "mine.json")]) == 1
    assert main(["learn", "fast-white", "-c", str(config), "--undo"]) == 0
    assert next(r for r in load_settings(config).bench.resins if r.id == "fast-white").cure == {}


def test_another_resins_offer_and_no_offer_are_refused(
    config: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = (config.parent / "resins" / "fast-white.toml").read_bytes()
    (tmp_path / "other.json").write_text(json.dumps(offer(id="slow-clear")))
    (tmp_path / "odd.json").write_text("{")
    for source, says in (
        ("other.json", "slow-clear of 180 s"),
        ("odd.json", "is not JSON"),
        ("none.json", "cannot be read"),
    ):
        assert main(["learn", "fast-white", "-c", str(config), "--prior", str(tmp_path / source)]) == 1
        assert says in capsys.readouterr().err
    assert main(["learn", "fast-white", "-c", str(config), "--prior", "shop"]) == 1
    assert "no [workshop] in bench.toml" in capsys.readouterr().err
    assert (config.parent / "resins" / "fast-white.toml").read_bytes() == before


def with_shop(config: Path, port: int) -> None:
    config.write_text(config.read_text() + f'\n[workshop]\nhost = "127.0.0.1"\nport = {port}\n')


@needs_mosquitto
async def test_the_shops_benches_are_asked_and_ones_own_offer_is_left_out(
    config: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """South shares, by its outlet; north, which asks, has an offer of its own there; a third one's is damaged."""
    pot_life_s = next(r.pot_life_s for r in load_settings(config).bench.resins if r.id == "fast-white")
    south = Tooled()
    south.config = replace(south.config, resins=(replace(learned(pours=9), pot_life_s=pot_life_s),))
    tools = replace(south.tools, bench="south", shop="quiet-harbour", known=lambda: south.config)
    root = "benchd/v0/quiet-harbour"
    (tmp_path / "broker").mkdir()
    with running(tmp_path / "broker") as broker:
        with_shop(config, broker.port)
        task = asyncio.create_task(make(Settings(port=broker.port, share_cure=True), tools).run())
        async with Phone(broker.port, topic_filter=f"{root}/+/cure/+") as phone:
            await phone.hears(f"{root}/south/cure/fast-white")
            phone.send(f"{root}/north/cure/fast-white", json.dumps(offer(pours=500)), retain=True)
            phone.send(f"{root}/west/cure/fast-white", "odd", retain=True)
            await phone.hears(f"{root}/west/cure/fast-white")
        code = await asyncio.to_thread(main, ["learn", "fast-white", "-c", str(config), "--prior", "shop"])
        task.cancel()
        await asyncio.wait([task])
    assert code == 0
    assert "From 9 pours of 1 lot on 1 bench, widened" in capsys.readouterr().out


async def test_nothing_is_offered_unless_asked() -> None:
    south = Tooled()
    south.config = replace(south.config, resins=(learned(),))
    outlet = make(Settings(), replace(south.tools, known=lambda: south.config))
    outlet._offer()
    assert outlet._offered == {}
