"""The kick watcher's settings: the limits that decide what is said of a kick, each with its source."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict

from benchd.physics.cup_cure import START_SD_K, UNKNOWN_SD_K
from benchd.stored import stored


@stored("kick-settings")
class Settings(BaseModel):
    """CP: common practice, no source; model: building seeds of the rehearsal's population; calc: from stated inputs."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    mix_mark_s: float = 2.0  # CP: a press at first contact
    mix_guess_share: float = 0.2  # model: an inferred mix is off by a fifth of the pot life
    start_sd_k: float = START_SD_K  # model: resin kept in the room is within 2 to 3 K of it, probes 0.5 K off
    unknown_temp_sd_k: float = UNKNOWN_SD_K  # CP: a bench without thermometers, 13 to 33 C
    warm_start_k: float = 3.0  # model: an early reading more than this above the room is reaction, not resin
    heat_for_s: float = 5.0  # calc: what a rise is smoothed over: a rise of its own, no echo of one second
    plausible_start_k: float = 15.0  # CP: resin is not kept further from the room than this
    start_for_s: float = 60.0  # CP: the probe is in by then, and a cup has warmed by a few K at most
    fit_least_s: float = 4.0  # study: a fit every four seconds,
    fit_pot_lives: float = 1.0 / 40.0  # study: or 40 a pot life,
    fit_near_s: float = 2.0  # study: and every two when the kick is near
    near_share: float = 0.02  # model: near is when it may have kicked with this probability
    stale_s: float = 15.0  # CP: a curve this old says nothing of now
    refresh_s: float = 15.0  # interface: at least this often while a cup is open
    least_gap_s: float = 2.0  # interface: at most one forecast in this time
    least_move_s: float = 1.0  # interface: tell a move of more than this
    least_move_share: float = 0.02  # interface: or of this share of the time left
    good_sd: float = 0.10  # CP: 10 % either way is 15 s in a three-minute pot life: enough to plan a lid by
    least_mass_g: float = 15.0  # CP: a smaller cup heats poorly; its forecast stays of low confidence
    overdue_share: float = 0.2  # CP: past the late edge by a fifth
    no_cure_pot_lives: float = 3.0  # CP: three pot lives without heat
    no_cure_rise_k: float = 5.0  # model: every simulated cup has put out more by half its kick time
    marked_s: float = 5.0  # model: a hand on the switch is 5 s and 2 % off
    marked_share: float = 0.02
    surely_later: float = 0.15  # CP: a chance of the gel by now that is all but none
    wait_share: float = 0.1  # interface: a kick is to be dated within a tenth of its time
    slow_probe_s: float = 5.5  # CP: one reading in 5 s is the slowest a three-minute kick can be dated by
    hole_s: float = 6.0  # CP: one reading in 5 s is no hole
    hot_k: float = 40.0  # CP: no room or hand warms a cup by so much
    hot_for_s: float = 60.0  # CP: a probe being warmed on purpose is put back sooner
    odd_z: float = 2.33  # calc: one pour in fifty by chance, both sides
    doubt_z: float = 1.8  # model: sd of the speed; 97 % of right labels stay below in 288 building pours
    learned_doubt_z: float = 2.4  # model: after learning; 98 % of 112 building pours, new lots among them
    learned_doubt_misfit: float = 3.0  # model: a learned resin bends less, so a wrong bottle is met worse
    doubt_sd: float = 0.2  # model: no label is doubted while the kick itself is this uncertain
    residue_doubt_sd: float = 0.12  # model: a residue cup's losses look like another resin; 6 in 100 false at 0.2
    before_reacting: float = 0.65  # model: the share of the way to the kick at which a cup is seen to heat itself
    before_probe_s: float = 45.0  # model: the probe goes in 45 +- 17 s after the mix
