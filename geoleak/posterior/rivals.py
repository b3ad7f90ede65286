"""What may explain the sound: the leak straight below, and the explanations that rival it.

Levels on the line cannot tell a leak at a hydrant from a draw-off at it, nor a leak on the line
from one on a branch nobody traced. Each explanation has a share (`[prior]`, guesses) and its own
likelihood: evidence of the *sound* is judged where the sound would come from, evidence of the
*leak* where the leak would be.

- line: sound and leak are at one place of the traced pipe.
- fitting: the sound has another maker, which a rod hears as well; half of these stand at shot
  fittings, half anywhere. The leak is anywhere.
- aside: the leak is on an untraced line beside the traced one.
- beyond: the leak is past an end of the traced line; less so where it is stated to end, or a
  fitting that often ends a line stands on it.
- displaced: the sound comes up some way along the trench from the leak; only what is heard at the
  surface is moved, not what the pipe carries.
- elsewhere: the leak is on no traced leg, out of hearing or mistaken.
"""

from __future__ import annotations

import math

import numpy as np

from geoleak.errors import SiteDataError
from geoleak.evidence import Candidates, StopTests, candidates, log_sum_exp, prior, tests_of
from geoleak.posterior.grid import Cells, first_cells, interpolate
from geoleak.posterior.run import DEPTH_OF_FIELD, Run, judge_exact, live_nodes
from geoleak.record import Bools, Floats, Ints, Record, replace
from geoleak.site import Codes
from geoleak.survey import Survey, taken
from geoleak.tables import fitting_of, setting

# Leg number, chainage_m, aside_m (right positive).
Spot = tuple[int, float, float]
RIVALS = ("fitting", "aside", "beyond", "displaced")
# A fitting, or another leg, this near an end stands on it (common practice, no source).
AT_END_M = 1.0
# An end with no reading this near is out of hearing: nothing was heard from past it.
HEARD_FROM_M = 12.0
# Places aside are judged where the line is within this of its top (nats), so many along and out.
# So many nodes in turn find the places off the line that count; those within so many nats of the
# best place, on the line or off it, are asked of all nodes.
FEW_NODES, COUNTS_NATS = 48, 5.0
ASIDE_NATS, ASIDE_ALONG, ASIDE_OUT = 9.0, 10, 4
BEYOND_STEPS = 6
# Readings aside and rods count for a place within this of them, along the pipe, and a rod where it
# was pushed this often there (common practice, no source).
NEAR_M, RODS = 3.0, 3
# Readings this far off the line tell left from right; nearer ones are put down carelessly.
OFF_LINE_M = 0.3
# Bins of the smear along the trench, and how far it reaches.
BIN_M, SMEAR_REACH_M = 0.1, 8.0


class Explanation(Record, eq=False):
    """One explanation of the sound, with the leak's place under it.

    Attributes
    ----------
    name : str
        ``"line"``, one of `RIVALS`, or ``"elsewhere"``.
    share : float
        Stated chance of it before anything was heard.
    mass : ndarray, shape (k,)
        Chance that it is so and the leak is in each cell; its log, without the share, before all
        are weighed together.
    off_pipe : float
        Chance that it is so and the leak is on no traced leg; its log likewise.
    place : (leg, chainage_m, aside_m)
        Where the sound would likeliest come from.
    point : str or None
        The fitting that would make the sound.
    """

    name: str
    share: float
    mass: Floats
    off_pipe: float
    place: Spot = (0, 0.0, 0.0)
    point: str | None = None
    checked: bool = False
    """Whether a check that tells it from the leak straight below was made."""

    @property
    def chance(self) -> float:
        """Chance of the explanation."""
        return float(self.mass.sum()) + self.off_pipe


class Explainer:
    """Scores every explanation of one run on cells."""

    def __init__(self, run: Run) -> None:
        self.run = run
        chosen = run.survey.site.prior
        self.smooth = {each.kind: each.tells_of for each in run.smooth}
        # A rod hears a pump as well as a leak: it tells where the sound is made, not by what.
        self.sound = tuple(k for k, of in self.smooth.items() if of == "sound" or k == "rod")
        self.leak = tuple(k for k in self.smooth if k not in self.sound)
        self.heard = bool(self.sound) or any(e.tells_of == "sound" for e in run.exact)
        share = {"elsewhere": chosen.elsewhere, "aside": chosen.aside}
        # Without a sound nothing needs another maker; without a surface reading nothing comes up.
        share["fitting"] = chosen.fitting if self.heard else 0.0
        share["displaced"] = chosen.displaced if "surface" in self.sound else 0.0
        self.ends = free_ends(run.survey)
        past = shares_beyond(self.ends, chosen.beyond)
        share["beyond"] = float(past.sum())
        self.past = past / max(share["beyond"], 1e-12)
        total = sum(share.values())
        # Shares that leave the line nothing are taken down together.
        most = max(0.95, share["elsewhere"])
        if total > most:
            rest = total - share["elsewhere"]
            keep = max(most - share["elsewhere"], 0.0) / rest if rest > 0 else 0.0
            share = {k: v if k == "elsewhere" else v * keep for k, v in share.items()}
        self.share = share | {"line": max(1.0 - sum(share.values()), 0.0)}
        self.off_line: dict[str, tuple[float, Spot]] = {}

    def mean(self, kinds: tuple[str, ...], leg: Ints, chainage_m: Floats) -> Floats:
        """Return the log likelihood of some smooth kinds, nodes summed over, at places."""
        if not kinds:
            return np.zeros(len(leg))
        value = log_sum_exp(self.run.together(kinds))
        return interpolate(self.run.places, value, leg, chainage_m)

    def everything(self, places: Candidates) -> Floats:
        """Return the log likelihood of all kinds at places that stand off the line, shape (k,)."""
        value = self._over_nodes(places, FEW_NODES)
        on_line = float(log_sum_exp(self.run.per_node).max())
        near = np.flatnonzero(value > max(float(value.max()), on_line) - COUNTS_NATS)
        if len(near):
            value[near] = self._over_nodes(places.take(near), len(self.run.nodes))
        return value + judge_exact(self.run, places)[0]

    def _over_nodes(self, places: Candidates, most: int) -> Floats:
        live = np.flatnonzero(live_nodes(self.run))
        every = math.ceil(len(live) / most)
        keep = np.zeros(len(self.run.nodes), dtype=bool)
        keep[live[::every]] = True
        nodes = taken(self.run.nodes, keep)
        total = np.repeat(nodes.log_weight[:, None] + math.log(every), len(places), axis=1)
        for each in self.run.smooth:
            total = total + each.narrowed(DEPTH_OF_FIELD).log_likelihood(places, nodes)
        return log_sum_exp(total)

    # -- the explanations ------------------------------------------------------------------------

    def weigh(self, cells: Cells) -> tuple[Explanation, ...]:
        """Return every explanation that has a share, weighed against the others."""
        run, share, smooth = self.run, self.share, tuple(self.smooth)
        where = cells.leg, cells.chainage_m
        places = candidates(run.survey, *where, cells.width_m / cells.width_m.sum())
        log_prior = np.log(cells.width_m)
        log_prior = log_prior + prior.log_factor(run.survey, places, without=run.options.without)[0]
        log_prior -= log_sum_exp(log_prior)
        exact, off_exact = judge_exact(run, places)
        leak = log_prior + exact + run.stops.of_leak(*where)
        nowhere = np.full(len(cells), -np.inf)
        line = leak + self.mean(smooth, *where)
        scored = [Explanation("line", share["line"], line, -np.inf, _top(cells, line))]
        unheard = run.elsewhere(smooth) + off_exact
        if share["fitting"] > 0:
            scored.append(self.fitting(cells, log_prior, places))
        # A place off the line is found once, on the first cells.
        if share["aside"] > 0:
            if "aside" not in self.off_line:
                self.off_line["aside"] = self._aside(cells, line)
            scored.append(Explanation("aside", share["aside"], nowhere, *self.off_line["aside"]))
        if share["beyond"] > 0:
            if "beyond" not in self.off_line:
                self.off_line["beyond"] = self._beyond(unheard)
            scored.append(Explanation("beyond", share["beyond"], nowhere, *self.off_line["beyond"]))
        if share["displaced"] > 0:
            rest = tuple(kind for kind in smooth if kind != "surface")
            moved = leak + smeared(cells, self.mean(("surface",), *where))
            moved += self.mean(rest, *where)
            top = _top(cells, moved)
            scored.append(Explanation("displaced", share["displaced"], moved, -np.inf, top))
        return _together([*scored, Explanation("elsewhere", share["elsewhere"], nowhere, unheard)])

    def fitting(self, cells: Cells, log_prior: Floats, places: Candidates) -> Explanation:
        """Return a sound of another maker, the leak anywhere and unheard."""
        run = self.run

        def sounds(where: Candidates, *, shot: bool) -> Floats:
            value = self.mean(self.sound, where.leg, where.chainage_m)
            value = value + judge_exact(run, where, tells_of=("sound",))[0]
            return value + run.stops.of_another(where.leg, where.chainage_m, shot=shot)

        anywhere = sounds(places, shot=False) + np.log(cells.width_m / cells.width_m.sum())
        loudest = int(np.argmax(anywhere))
        place = (int(cells.leg[loudest]), float(cells.chainage_m[loudest]), 0.0)
        total, point = float(log_sum_exp(anywhere)), None
        if shot := run.survey.fittings:
            leg = np.array([p.leg for p in shot], dtype=np.int64)
            chainage = np.array([p.chainage_m for p in shot], dtype=float)
            at = candidates(run.survey, leg, chainage)
            each = sounds(at, shot=True) - np.log(len(shot))
            best = int(np.argmax(each))
            if each[best] > total:
                place, point = (int(leg[best]), float(chainage[best]), 0.0), shot[best].point.id
            total = float(np.logaddexp(np.log(0.5) + log_sum_exp(each), np.log(0.5) + total))
        leak, off = judge_exact(run, places, tells_of=("leak",))
        leak = leak + self.mean(self.leak, cells.leg, cells.chainage_m)
        off += run.elsewhere(self.leak)
        chance = self.share["elsewhere"]
        with np.errstate(divide="ignore"):
            on_pipe = total + np.log1p(-chance) + log_prior + leak
            away = total + float(np.log(chance)) + off
        return Explanation("fitting", self.share["fitting"], on_pipe, away, place, point)

    def _aside(self, cells: Cells, line: Floats) -> tuple[float, Spot]:
        """Return the leak on an untraced line beside the traced one, where that is likeliest."""
        near = line - np.log(cells.width_m)
        near = near > near.max() - ASIDE_NATS
        rest = float(log_sum_exp(line[~near])) if not near.all() else -np.inf
        leg, chainage, width = _along(cells, near)
        first, last = setting("rival_aside_nearest").value, setting("rival_aside_farthest").value
        out = first + (last - first) * (np.arange(ASIDE_OUT) + 0.5) / ASIDE_OUT
        rows = self.run.survey.surface
        if len(rows) and np.any(np.abs(rows.offset_m) > OFF_LINE_M):
            out = np.concatenate([-out[::-1], out])
        many = len(out)
        every = np.repeat(leg, many), np.repeat(chainage, many)
        places = candidates(self.run.survey, *every, aside_m=np.tile(out, len(leg)))
        fed = 1.0 - setting("rival_aside_foreign").value
        foot = self.run.stops.of_leak(places.leg, places.chainage_m, fed=fed)
        pipe = cells.width_m.sum()
        value = self.everything(places) + foot + np.log(np.repeat(width / pipe, many) / many)
        best = int(np.argmax(value))
        at = (int(places.leg[best]), float(places.chainage_m[best]), float(out[best % many]))
        return float(np.logaddexp(log_sum_exp(value), rest)), at

    def _beyond(self, unheard: float) -> tuple[float, Spot]:
        """Return the leak past an end of the traced line, where that is likeliest."""
        total, best, at = -np.inf, -np.inf, (0, 0.0, 0.0)
        for end, share in zip(self.ends, self.past.tolist(), strict=True):
            if share <= 0:
                continue
            value = unheard
            if end.heard:
                past = setting("rival_beyond_farthest").value
                step = past * (np.arange(BEYOND_STEPS) + 0.5) / BEYOND_STEPS
                chainage = -step if end.at_m == 0.0 else end.at_m + step
                leg = np.full(BEYOND_STEPS, end.leg, dtype=np.int64)
                places = candidates(self.run.survey, leg, chainage)
                each = self.everything(places) + self.run.stops.of_leak(leg, places.chainage_m)
                value = float(log_sum_exp(each)) - np.log(BEYOND_STEPS)
                if np.log(share) + each.max() > best:
                    best = np.log(share) + float(each.max())
                    at = (end.leg, float(chainage[int(np.argmax(each))]), 0.0)
            total = np.logaddexp(total, np.log(share) + value)
        return float(total), at


def _top(cells: Cells, on_pipe: Floats) -> Spot:
    i = int(np.argmax(on_pipe - np.log(cells.width_m)))
    return int(cells.leg[i]), float(cells.chainage_m[i]), 0.0


def _together(scored: list[Explanation]) -> tuple[Explanation, ...]:
    """Return explanations with their log scores made chances that sum to one."""
    with np.errstate(divide="ignore"):
        logs = [(e.mass + np.log(e.share), e.off_pipe + float(np.log(e.share))) for e in scored]
    top = max(max(float(on_pipe.max()), off) for on_pipe, off in logs)
    if not np.isfinite(top):
        raise SiteDataError(
            "the evidence rules out every place on the pipe and elsewhere; "
            "look for a contradiction in isolations and holes"
        )
    shares = [(np.exp(on_pipe - top), math.exp(off - top)) for on_pipe, off in logs]
    total = sum(float(on_pipe.sum()) + off for on_pipe, off in shares)
    return tuple(
        replace(each, mass=on_pipe / total, off_pipe=off / total)
        for each, (on_pipe, off) in zip(scored, shares, strict=True)
    )


def settle(run: Run) -> tuple[Cells, tuple[Explanation, ...]]:
    """Return cells, fine where chance is dense, and the explanations on them."""
    explain = Explainer(run)
    cells = first_cells(run.survey, run.hints)
    for share in (2e-3, 2e-4):
        mass: Floats = np.sum([each.mass for each in explain.weigh(cells)], axis=0)
        # No cell holds more than the share, or it is as short as cells get.
        most = np.maximum(np.round(cells.width_m / run.options.finest_m), 1.0)
        cells = cells.split(np.clip(np.ceil(mass / share), 1.0, most).astype(np.int64))
    return cells, explain.weigh(cells)


# -- ends ------------------------------------------------------------------------------------------


class End(Record):
    """A free end of a traced leg.

    ``closed``: stated to end there. ``heard``: somebody read near it. ``goes_on``: how far a pipe
    past it is as common as past an open end, by the fitting that stands on it.
    """

    leg: int
    at_m: float
    closed: bool
    heard: bool
    goes_on: float


def free_ends(survey: Survey) -> tuple[End, ...]:
    """Return the ends of legs that join no other leg."""
    joined: dict[int, list[float]] = {}
    for joint in survey.network.joints:
        joined.setdefault(joint.leg_a, []).append(joint.chainage_a_m)
        joined.setdefault(joint.leg_b, []).append(joint.chainage_b_m)
    found = []
    for each in survey.legs:
        if each.route.is_closed:
            continue
        for name, at in (("start", 0.0), ("end", each.route.length_m)):
            if any(abs(at - other) < AT_END_M for other in joined.get(each.number, [])):
                continue
            on_it = [
                fitting_of(Codes.line_work(p.point.code)[0])[1]
                for p in survey.fittings
                if p.leg == each.number and abs((p.chainage_m or 0.0) - at) < AT_END_M
            ]
            heard = any(
                bool(rows.near(each.number, at, HEARD_FROM_M).any())
                for rows in (survey.surface, survey.contact)
            )
            closed = name in each.leg.ends_here
            found.append(End(each.number, at, closed, heard, min(on_it, default=1.0)))
    return tuple(found)


def shares_beyond(ends: tuple[End, ...], stated: float) -> Floats:
    """Return the share of leaks past each end; all together as stated where every end is open.

    Each free end has its part of the share, less by the fitting that stands on it; one that is
    stated to end keeps a remainder.
    """
    closed = min(setting("rival_beyond_closed").value, stated)
    share = [min(closed if end.closed else stated, stated * end.goes_on) for end in ends]
    return np.array(share) / max(len(ends), 1)


def checked(stops: StopTests, leg: int, chainage_m: float) -> frozenset[str]:
    """Return the rivals that somebody has checked at a place of the pipe."""
    survey, done = stops.survey, set()
    if tests_of(stops.tests, leg, chainage_m) or stops.off_near(leg, chainage_m):
        done.add("fitting")
    rows = survey.surface
    near = rows.near(leg, chainage_m, NEAR_M)
    nearest = setting("rival_aside_nearest").value
    if all(np.any(near & (side * rows.offset_m >= nearest)) for side in (-1.0, 1.0)):
        done.add("aside")
    if pushes(survey, leg, chainage_m) >= RODS:
        done.add("displaced")
    reach = setting("rival_beyond_farthest").value
    if all(
        end.closed or end.leg != leg or abs(end.at_m - chainage_m) > reach
        for end in free_ends(survey)
    ):
        done.add("beyond")
    return frozenset(done)


def pushes(survey: Survey, leg: int, chainage_m: float) -> int:
    """Return how often a rod was pushed near a place, on the line."""
    return int((survey.rod.near(leg, chainage_m, NEAR_M) & ~survey.rod.aside).sum())


# -- geometry --------------------------------------------------------------------------------------


def _along(cells: Cells, near: Bools) -> tuple[Ints, Floats, Floats]:
    """Return a few places along the cells that count, with the pipe each stands for."""
    leg, chainage, width = [], [], []
    total = float(cells.width_m[near].sum())
    for number in np.unique(cells.leg[near]):
        rows = np.flatnonzero(near & (cells.leg == number))
        gaps = np.flatnonzero(np.diff(rows) > 1) + 1
        for run in np.split(rows, gaps):
            start, end = float(cells.from_m[run[0]]), float(cells.to_m[run[-1]])
            count = max(1, round(ASIDE_ALONG * (end - start) / total))
            leg.append(np.full(count, number))
            chainage.append(start + (end - start) * (np.arange(count) + 0.5) / count)
            width.append(np.full(count, (end - start) / count))
    return np.concatenate(leg).astype(np.int64), np.concatenate(chainage), np.concatenate(width)


def smeared(cells: Cells, log_sound: Floats) -> Floats:
    """Return the log likelihood of a leak in each cell whose sound comes up some way along.

    The likelihood of the sound's place is averaged over a t of three degrees of freedom about
    the leak, cut where the leg ends.
    """
    out = np.empty(len(cells))
    scale = setting("rival_displaced_scale").value
    reach = round(SMEAR_REACH_M / BIN_M)
    t = np.arange(-reach, reach + 1) * BIN_M / scale
    kernel = 1.0 / (1.0 + t * t / 3.0) ** 2
    for number in np.unique(cells.leg):
        rows = np.flatnonzero(cells.leg == number)
        edges = np.append(cells.from_m[rows], cells.to_m[rows[-1]])
        top = log_sound[rows].max()
        held = np.exp(log_sound[rows] - top) * cells.width_m[rows]
        before = np.concatenate([[0.0], np.cumsum(held)])
        count = max(1, round((edges[-1] - edges[0]) / BIN_M))
        bins = np.linspace(edges[0], edges[-1], count + 1)
        sound = np.diff(np.interp(bins, edges, before)) / np.diff(bins)
        mean, weight = (
            np.convolve(each, kernel)[reach : reach + count] for each in (sound, np.ones(count))
        )
        middle = 0.5 * (bins[1:] + bins[:-1])
        with np.errstate(divide="ignore"):
            out[rows] = top + np.log(np.interp(cells.chainage_m[rows], middle, mean / weight))
    return out
