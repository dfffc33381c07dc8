"""Does what was skipped of a checklist stand in the records, the load's report and in blame?"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from benchd.core.bench import Bench
from benchd.core.findings import ChecksNoted, PourStarted
from benchd.core.model import Mark, Subject
from benchd.reports.blame import blame
from benchd.reports.index import make_report
from benchd.reports.records_read import read_records
from benchd.reports.writer import to_text
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.rows import Writes

MIX_T = 1_767_606_000.0
POUR = f"cup-1-{MIX_T:.0f}"
SKIPPED = ("relief", "vents", "traps-m02", "warm-m07")


async def test_what_was_skipped_is_reported_and_blamed_only_for_what_it_could_find(
    tmp_path: Path, studio: Bench
) -> None:
    writes, about = Writes(), Subject(bench="north", cup="cup-1", pot="barrel", pour=POUR)
    writes.add_effect(1, 0, PourStarted(t=MIX_T, subject=about, mix_t=MIX_T, lot="r-07", molds=("m02", "m07"),
                                        inferred=False, number=1, a_g=60.0, b_g=54.0))  # fmt: skip
    writes.add_effect(2, 0, ChecksNoted(t=MIX_T, subject=about, done=("release", "warm-m02"), skipped=SKIPPED))
    for seq, (mold, cause) in enumerate((("m02", "trap"), ("m07", "soft")), 1):
        writes.add_input(seq, Mark(t=MIX_T + 2400.0 + seq, verb="demolded", id=str(seq), mold=mold, grade="scrap",
                                   cause=cause))  # fmt: skip
    async with Journal(tmp_path / "journal.db") as journal:
        await journal.write(writes)
        records = await read_records(journal, MIX_T - 10.0, MIX_T + 90_000.0)
        text = to_text(await make_report(journal, studio, "pour", POUR, MIX_T + 7200.0))
    assert records.pours[POUR].skipped == SKIPPED
    assert "checks answered  release, M02 warm" in text
    assert "checks skipped   relief, vents, M02 traps, M07 warm" in text
    trap, soft = records.parts()
    found = [(v.says, v.why) for v in blame(studio, records, trap) if v.suspect == "checks"]
    assert found == [("can't tell", "skipped before the mix: vents, M02 traps")]
    found = [(v.says, v.why) for v in blame(studio, records, soft) if v.suspect == "checks"]
    assert found == [("can't tell", "skipped before the mix: M07 warm")]
    seam = replace(trap, cause="seam")
    assert [v for v in blame(studio, records, seam) if v.suspect == "checks"] == []
