"""Getting started on a saw: what a guided trial says about box and clamp, and the detector settings kept from it."""

from typing import Any

from flask import Response
from flask_openapi3.blueprint import APIBlueprint
from pydantic import Field

from api.answers.findings import told
from api.desk import Desk
from api.http.answer import live
from api.http.asked import saw_of
from api.http.fields import DAY, Model, Moment, SawPath, Strict, Time, problem, subject
from api.http.problems import Problem
from api.http.who import SIGNED_IN, Who
from api.tongues.say import gettext
from collector.book.habits import HabitHistory, Learned
from collector.book.settings import SawSettings, SettingsHistory
from collector.calibrate import Calibration, Finding, Level, Steps, calibrate
from collector.detect.settings import DetectSettings
from collector.facts import SECOND, iso

LONGEST_HOURS = 2


class TrialSteps(Strict):
    """When each step of the trial began; those to come are left out."""

    off: Moment = Field(description="Motor off; the lock and the blade door are moved.")
    idle: Moment | None = Field(None, description="Switched on, idling.")
    cuts: Moment | None = Field(None, description="Three cuts are made.")
    stop: Moment | None = Field(None, description="Switched off.")
    end: Moment | None = Field(None, description="Standing still; the trial is over.")


class SettingsBody(TrialSteps):
    """A trial whose settings are to be kept."""

    who: Who = SIGNED_IN


class FindingRecord(Model):
    """One thing that the trial says."""

    code: str
    level: Level
    text: str
    what_to_do: str


class MeasuredRecord(Model):
    """What was measured; null where the step has not been, or shows nothing."""

    offset_amps: float | None = Field(description="Reading at standstill.")
    off_noise_amps: float | None
    resolution_amps: float | None = Field(description="Smallest step between two readings.")
    rate_hz: float | None
    lost: float | None = Field(description="Share of the samples that did not arrive.")
    inrush_amps: float | None
    idle_amps: float | None
    noise_amps: float | None = Field(description="Standard deviation of a sample while idling.")
    rises_amps: list[float] = Field(description="By how much each cut's mean lies above idle.")
    peak_amps: float | None
    brake_seconds: float | None = Field(description="Null where no brake's current is seen.")
    lock_moves: int | None = Field(description="Null where the switch was never reported.")
    door_moves: int | None


class CalibrationAnswer(Model):
    """What a trial says so far."""

    saw: str
    now: Time
    measured: MeasuredRecord
    findings: list[FindingRecord]
    sound: bool = Field(description="Over, and nothing found that must be mended first: the settings can be kept.")
    settings: dict[str, int] | None = Field(description="Those that must differ from the configured ones, mA, µs.")


class SettingsVersion(Model):
    """Settings of a saw's detector from a date on."""

    valid_from: Time
    who: str
    at: Time
    settings: dict[str, int] = Field(description="Those that differ from the configured ones, mA and µs.")
    seen: dict[str, Any] | None = Field(description="What the trial measured.")


class Span(Model):
    """From the least to the most."""

    least: float
    most: float


class LearnedRecord(Model):
    """What the collector saw a saw do over and over, and works with: nobody sets it."""

    valid_from: Time = Field(description="Facts from here on are derived with it.")
    at: Time = Field(description="When it was learned.")
    stops: int = Field(description="It was learned from so many stops,")
    brakes: int = Field(description="at so many of which a brake's current was found,")
    cuts: int = Field(description="and from so many cuts;")
    first: Time = Field(description="start of the first of these runs,")
    last: Time = Field(description="and end of the last one.")
    brake_seen: bool | None = Field(
        description="Whether the brake's current is seen at its stops; null: not known yet."
    )
    brake_seconds: Span | None = Field(description="For how long it is seen.")
    idle_amps: Span | None = Field(description="Current at idle, but for one time in ten; null: not known yet.")


class SettingsList(Model):
    """All versions, the one in force first, and what the collector learned by itself."""

    saw: str
    versions: list[SettingsVersion]
    learned: LearnedRecord | None = Field(description="Null: nothing yet.")


def blueprint(desk: Desk, base: DetectSettings) -> APIBlueprint:
    """`/saws/{saw}/calibration` and `/saws/{saw}/settings`."""
    bp = subject("calibration")
    history, learned = SettingsHistory(desk.book), HabitHistory(desk.book)

    def look(saw: str, asked: TrialSteps) -> tuple[Steps, Calibration]:
        try:
            steps = Steps(asked.off, asked.idle, asked.cuts, asked.stop, asked.end)
        except ValueError as error:
            raise Problem(
                "bad-parameter",
                gettext(
                    "The steps off, idle, cuts, stop and end must lie in that order, off first: {error}.", error=error
                ),
            ) from error
        now = desk.now()
        last = min(now, steps.end if steps.end is not None else now)
        if last - steps.off > LONGEST_HOURS * DAY // 24:
            raise Problem("bad-period", gettext("The trial lasts over {n} hours; begin a new one.", n=LONGEST_HOURS))
        if steps.off > now:
            raise Problem("bad-period", gettext("The trial begins in the future; check this device's clock."))
        trace = desk.trace.read(saw, steps.off, last + 1)
        return steps, calibrate(saw, trace, steps, base)

    @bp.get("/saws/<saw>/calibration", responses={200: CalibrationAnswer})
    def calibration_of(path: SawPath, query: TrialSteps) -> Response:
        """What a trial says so far: standstill, idle, three cuts, the stop, and whether the clamp fits."""
        saw = saw_of(desk, path.saw).name
        _, found = look(saw, query)
        return live(
            {
                "saw": saw,
                "now": iso(desk.now()),
                "measured": measured_record(found),
                "findings": [_finding(f) for f in found.findings],
                "sound": found.sound,
                "settings": found.settings,
            }
        )

    @bp.get("/saws/<saw>/settings", responses={200: SettingsList})
    def settings_of(path: SawPath) -> Response:
        """The detector settings of a saw with the dates from which they hold, and what was learned of it."""
        saw = saw_of(desk, path.saw).name
        known = learned.newest(saw)
        return live(
            {
                "saw": saw,
                "versions": [_version(v) for v in history.versions(saw)],
                "learned": None if known is None else _learned(known),
            }
        )

    @bp.post("/saws/<saw>/settings", responses={201: SettingsVersion, 409: problem("The trial is not sound.")})
    def keep(path: SawPath, body: SettingsBody) -> Response:
        """Keep the settings that follow from a trial, from its start on. Earlier versions stay readable."""
        saw = saw_of(desk, path.saw).name
        steps, found = look(saw, body)
        if not found.sound or found.settings is None:
            worst = [told(f)[0] for f in found.findings if f.level is Level.FAULT] or [gettext("It is not over yet.")]
            raise Problem("not-sound", " ".join(worst))
        version = SawSettings(saw, steps.off, found.settings, measured_record(found), body.who, desk.now())
        history.add(version)
        response = live(_version(version))
        response.status_code = 201
        return response

    return bp


def _finding(found: Finding) -> dict[str, str]:
    text, what_to_do = told(found)
    return {"code": found.code, "level": found.level, "text": text, "what_to_do": what_to_do}


def measured_record(found: Calibration) -> dict[str, Any]:
    """What was measured, in amperes and seconds."""
    m = found.measured

    def amps(ma: float | None) -> float | None:
        return None if ma is None else round(ma / 1000, 4)

    return {
        "offset_amps": amps(m.offset_ma),
        "off_noise_amps": amps(m.off_noise_ma),
        "resolution_amps": amps(m.resolution_ma),
        "rate_hz": None if m.rate_hz is None else round(m.rate_hz, 2),
        "lost": None if m.lost is None else round(m.lost, 4),
        "inrush_amps": amps(m.inrush_ma),
        "idle_amps": amps(m.idle_ma),
        "noise_amps": amps(m.noise_ma),
        "rises_amps": [r / 1000 for r in m.rises_ma],
        "peak_amps": amps(m.peak_ma),
        "brake_seconds": None if m.brake_us is None else round(m.brake_us / SECOND, 2),
        "lock_moves": m.lock_moves,
        "door_moves": m.door_moves,
    }


def _version(v: SawSettings) -> dict[str, Any]:
    return {
        "valid_from": iso(v.valid_from),
        "who": v.who,
        "at": iso(v.at),
        "settings": dict(v.values),
        "seen": v.seen,
    }


def _learned(known: Learned) -> dict[str, Any]:
    def span(of: tuple[int, int] | None, unit: int) -> dict[str, float] | None:
        return None if of is None else {"least": of[0] / unit, "most": of[1] / unit}

    return {
        "valid_from": iso(known.valid_from),
        "at": iso(known.at),
        "stops": known.stops,
        "brakes": known.brakes,
        "cuts": known.cuts,
        "first": iso(known.first),
        "last": iso(known.last),
        "brake_seen": known.habits.brake_seen,
        "brake_seconds": span(known.habits.brake_us, SECOND),
        "idle_amps": span(known.habits.idle_ma, 1000),
    }
