"""How clean the lines are: what is due when, what is overdue, and a record that an inspector can read."""

from collections.abc import Callable, Mapping
from typing import Literal

from msgspec import structs

from controller.engine.common import Common
from controller.engine.slices import Sliced
from controller.engine.views import NEXT
from controller.ledger.records import LineNote, NoteEvent
from controller.model.evening import HygieneLine, HygieneRecord, RecordRow
from controller.model.fields import like
from controller.model.messages import LineReport
from controller.model.remark import Remark, RemarkCode
from controller.model.requests import PastQuery
from controller.model.states import Contents

STEP_S = 360.0  # in which it is said how long something is overdue
SAME_S = 1.0  # two times of one event, worked out twice, differ by less
Signature = Callable[[], tuple[str, str]]  # who cleans now, and with what, "" where nobody has said


class LineHygiene:
    """Due times by the profile's intervals; the guard reports when lines were filled and cleaned."""

    def __init__(self, common: Common) -> None:
        self._profile, self._book = common.profile, common.strict
        self._ledger, self._clock, self._mirror = common.ledger, common.clock, common.mirror

    def lines(self) -> tuple[HygieneLine, ...]:
        """Every line of the profile."""
        reports = self._mirror.lines()
        return tuple(self._line(line.line, reports.get(line.line)) for line in self._profile.lines)

    def overdue(self) -> dict[int, tuple[Remark, ...]]:
        """Line -> why it may not serve any more."""
        now_s = self._clock.wall_s()
        found = {line: self._overdue(report, now_s) for line, report in self._mirror.lines().items()}
        return {line: reasons for line, reasons in found.items() if reasons}

    def care_due(self, line: int) -> Literal["prime", "rinse", "clean"]:
        """What a fresh container of the liquid that this line holds takes besides hanging it."""
        report, now_s = self._mirror.lines()[line], self._clock.wall_s()
        clean_by_s, keeps_until_s = self._clean_by(report), self._keeps_until(report)
        if clean_by_s is not None and now_s > clean_by_s:
            return "clean"
        return "rinse" if keeps_until_s is not None and now_s > keeps_until_s else "prime"

    def record(self, query: PastQuery) -> Sliced[HygieneRecord]:
        """What happened in the time asked about, all of it by default."""
        now_s = self._clock.wall_s()
        since_s = query.since_wall_s or 0.0
        until_s = now_s + SAME_S if query.until_wall_s is None else query.until_wall_s
        rows: list[RecordRow] = []
        for notes in self._ledger.notes.between(since_s, until_s):
            rows += (RecordRow(**structs.asdict(note)) for note in notes)
            yield
        for runs in self._ledger.notes.wet_runs(since_s, until_s):
            rows += runs
            yield
        rows.sort(key=lambda one: one.wall_s)
        return HygieneRecord(
            machine=self._profile.machine,
            book=self._book.title,
            since_wall_s=rows[0].wall_s if query.since_wall_s is None and rows else since_s,
            until_wall_s=min(until_s, now_s),
            written_wall_s=now_s,
            contact_s=self._profile.hygiene.cleaner_contact_s,
            rinse_line_volumes=self._profile.hygiene.rinse_line_volumes,
            lines=self.lines(),
            rows=tuple(rows),
        )

    def note_changes(self, before: Mapping[int, LineReport], signature: Signature) -> None:
        """Put on record what lines hold now, and which were cleaned, where that differs from `before`."""
        for line, report in self._mirror.lines().items():
            known = before.get(line)
            holds = _holds(report)
            if known is None:
                latest = self._ledger.notes.latest(line, "contents")
                if latest is None or latest.text != holds:
                    self._add(line, "contents", holds)
                continue
            if holds != _holds(known):
                self._add(line, "contents", holds)
            cleaned_s = report.cleaned_wall_s
            if cleaned_s is not None and cleaned_s > (known.cleaned_wall_s or 0.0) + SAME_S:
                self._note_cleaned(line, known, *signature())

    def _note_cleaned(self, line: int, before: LineReport, person: str, cleaner: str) -> None:
        stood = ""
        rinse = self._mirror.current
        if before.soaked_wall_s is not None and rinse is not None:
            stood = f"; the cleaner stood {(rinse.intent.asked_wall_s - before.soaked_wall_s) / 60:.0f} min"
        used = f" with {cleaner}" if cleaner else ""
        self._add(line, "cleaned", f"cleaned{used} and rinsed{stood}", person)

    def _add(self, line: int, event: NoteEvent, text: str, person: str = "") -> None:
        self._ledger.notes.add(LineNote(wall_s=self._clock.wall_s(), line=line, event=event, text=text, person=person))

    # --- due times

    def _line(self, line: int, report: LineReport | None) -> HygieneLine:
        if report is None:
            return like(
                HygieneLine,
                LineReport(line=line, liquid=None, contents=Contents.UNKNOWN, holds=None, is_on=False),
                since_wall_s=None,
                clean_by_wall_s=None,
                keeps_until_wall_s=None,
                overdue=(),
                next_step="the guard cannot be reached",
            )
        now_s = self._clock.wall_s()
        overdue = self._overdue(report, now_s)
        return like(
            HygieneLine,
            report,
            since_wall_s=self._since(report),
            clean_by_wall_s=self._clean_by(report),
            keeps_until_wall_s=self._keeps_until(report),
            overdue=tuple(one.text for one in overdue),
            next_step=self._next_step(report, bool(overdue), now_s),
        )

    def _since(self, report: LineReport) -> float | None:
        known_s = {Contents.LIQUID: report.filled_wall_s, Contents.CLEANER: report.soaked_wall_s}.get(report.contents)
        if known_s is not None:
            return known_s
        note = self._ledger.notes.latest(report.line, "contents")
        return None if note is None else note.wall_s

    def _clean_by(self, report: LineReport) -> float | None:
        if report.wetted_wall_s is None:
            return None
        hygiene = self._profile.hygiene
        every_s = {
            "ordinary": hygiene.clean_every_s,
            "tea": hygiene.clean_tea_every_s,
            "perishable": hygiene.clean_perishable_every_s,
        }
        wet = {*report.drawn, *report.residues, *((report.holds,) if report.holds is not None else ())}
        cares = [*report.cares, *(one.line_care for one in self._book.liquids if one.liquid in wet)]
        intervals = [every_s.get(care, hygiene.clean_perishable_every_s) for care in cares]
        return report.wetted_wall_s + min(intervals, default=hygiene.clean_every_s)

    def _keeps_until(self, report: LineReport) -> float | None:
        life_s = next((one.opened_life_s for one in self._book.liquids if one.liquid == report.holds), None)
        since = [at_s for at_s in (report.filled_wall_s, report.opened_wall_s) if at_s is not None]
        if life_s is None or report.contents is not Contents.LIQUID or not since:
            return None
        return min(since) + life_s

    def _overdue(self, report: LineReport, now_s: float) -> tuple[Remark, ...]:
        reasons = list[Remark]()

        def due(code: RemarkCode, what: str, **values: str | float | tuple[str, ...]) -> None:
            found = {"line": report.line} | values
            reasons.append(Remark(code=code, text=f"line {report.line}: {what}", values=found))

        keeps_until_s, clean_by_s = self._keeps_until(report), self._clean_by(report)
        if keeps_until_s is not None and now_s > keeps_until_s:
            over_s, holds = now_s - keeps_until_s, report.holds or ""
            due("past", f"{holds} is {_ago(over_s)} past its time", holds=holds, over_s=_steady(over_s))
        if clean_by_s is not None and now_s > clean_by_s and report.contents is Contents.LIQUID:
            due("cleaning", f"cleaning due since {_ago(now_s - clean_by_s)}", over_s=_steady(now_s - clean_by_s))
        if report.contents is Contents.LIQUID and (foreign := self._foreign(report)):
            due("traces", f"cleaning due: traces of {', '.join(foreign)} may be in it", allergens=foreign)
        elif report.contents is Contents.LIQUID and report.doubtful:
            due("residue", "cleaning due: something unknown may be in it")
        return tuple(reasons)

    def _foreign(self, report: LineReport) -> tuple[str, ...]:
        """Allergens that the line may have in it besides those of the liquid that it holds."""
        own = {allergen for one in self._book.liquids if one.liquid == report.holds for allergen in one.allergens}
        return tuple(sorted(set(report.traces) - own))

    def _next_step(self, report: LineReport, is_overdue: bool, now_s: float) -> str:
        if report.contents is Contents.CLEANER and report.soaked_wall_s is not None:
            left_s = report.soaked_wall_s + self._profile.hygiene.cleaner_contact_s - now_s
            return f"rinse it in {left_s / 60:.0f} min" if left_s > 0 else "rinse it"
        if report.contents is Contents.LIQUID and (is_overdue or report.holds != report.liquid):
            return "purge it, then clean and rinse it"
        return NEXT[report.contents][1] if report.contents in NEXT else ""


def _holds(report: LineReport) -> str:
    match report.contents:
        case Contents.EMPTY:
            return "empty"
        case Contents.UNKNOWN:
            return "holds something unknown"
        case Contents.LIQUID:
            return f"holds {report.holds}"
    return f"holds {report.contents}"


def _steady(seconds: float) -> float:
    """In steps of 0.1 h, so that what is told anew has changed for a reader."""
    return STEP_S * round(seconds / STEP_S)


def _ago(seconds: float) -> str:
    hours = seconds / 3600.0
    return f"{hours:.1f} h" if hours < 48.0 else f"{hours / 24.0:.1f} days"
