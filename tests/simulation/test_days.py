"""Local time, the days of a clinic, and when a task is late.

Worked out by hand from src/domain/plan/RULES.md; the offsets of the zone are told in small_clinics.py.
"""

import unittest

from model import plan, state
from small_clinics import (
    CLOSING, MORNING, OPENING, REPAIRED, SESSION_END, WINDOW, at_day, brief, clinic, closure, dated, event, routine,
    seating,
)


class LocalTime(unittest.TestCase):
    def test_a_time_in_the_gap_takes_the_offset_from_before_it(self):
        # RFC 5545, section 3.3.5: 02:30 does not exist; at UTC+1 it is 01:30Z, which the clocks call 03:30.
        anchor = dated(place={"kind": "local_time", "at": "02:30"})
        tasks = at_day(clinic(routine(anchor)), "2026-03-29")
        assert brief(tasks, "anchor_at", "not_required") == [("2026-03-29T01:30:00Z", True)], tasks

    def test_a_time_that_occurs_twice_is_the_first(self):
        # RFC 5545, section 3.3.5: the first 02:30 is still at UTC+2.
        anchor = dated(place={"kind": "local_time", "at": "02:30"})
        tasks = at_day(clinic(routine(anchor)), "2026-10-25")
        assert brief(tasks, "anchor_at") == [("2026-10-25T00:30:00Z",)], tasks

    def test_a_night_session_over_a_clock_change_lasts_as_long_as_it_lasts(self):
        # 22:00 at UTC+1 to 04:00 at UTC+2: five hours elapse.
        night = {"saturday": [{"opens": "22:00", "closes": "04:00"}]}
        tasks = at_day(clinic(routine(OPENING), routine(CLOSING, "s"), week=night), "2026-03-28")
        assert brief(tasks, "anchor_at") == [("2026-03-28T21:00:00Z",), ("2026-03-29T02:00:00Z",)], tasks

    def test_the_window_is_elapsed_time_across_a_clock_change(self):
        # 01:30 at UTC+1 is 00:30Z; ten minutes and four hours later on any clock.
        week = {"sunday": [{"opens": "01:30", "closes": "09:00"}]}
        tasks = at_day(clinic(routine(OPENING), week=week), "2026-03-29")
        expected = [("2026-03-28T23:30:00Z", "2026-03-29T00:30:00Z", "2026-03-29T00:40:00Z", "2026-03-29T04:30:00Z")]
        assert brief(tasks, "due_from", "due_by", "overdue_at", "missed_at") == expected, tasks

    def test_zones_come_from_newer_data_than_the_systems(self):
        # tests/oracles/tz_staleness_2026.json: since 2026b Vancouver stays at UTC-7 in winter.
        tasks = at_day(clinic(routine(OPENING), zone="America/Vancouver"), "2026-12-01")
        assert brief(tasks, "anchor_at") == [("2026-12-01T15:00:00Z",)], tasks


class Days(unittest.TestCase):
    LATE = {"friday": [{"opens": "22:00", "closes": "02:00"}]}

    def clinic_day_of(self, at, week):
        return plan(clinic(routine(REPAIRED), week=week, events=[event(at)]), "2026-01-01", "2026-11-20", "2026-12-05")[
            0]["clinic_day"]

    def test_a_session_across_midnight_belongs_to_the_day_it_opened(self):
        tasks = at_day(clinic(routine(SESSION_END), week=self.LATE), "2026-11-27")
        assert brief(tasks, "slot", "anchor_at") == [("session:22:00", "2026-11-28T01:00:00Z")], tasks

    def test_the_night_after_a_late_session_belongs_to_it_for_four_hours(self):
        for at, expected in [("2026-11-28T00:30:00Z", "2026-11-27"), ("2026-11-28T04:59:59Z", "2026-11-27"),
                             ("2026-11-28T05:00:00Z", "2026-11-28")]:
            assert self.clinic_day_of(at, self.LATE) == expected, at

    def test_the_new_days_first_session_ends_the_night(self):
        week = {**self.LATE, "saturday": [{"opens": "04:00", "closes": "08:00"}]}
        for at, expected in [("2026-11-28T02:59:59Z", "2026-11-27"), ("2026-11-28T03:00:00Z", "2026-11-28")]:
            assert self.clinic_day_of(at, week) == expected, at

    def test_four_hours_that_end_before_midnight_hold_nothing(self):
        # Half past midnight: after a closing at 19:00 the new day, after one at 21:00 still the old.
        for closes, expected in [("19:00", "2026-11-28"), ("21:00", "2026-11-27")]:
            week = {"friday": [{"opens": "08:00", "closes": closes}]}
            assert self.clinic_day_of("2026-11-27T23:30:00Z", week) == expected, closes

    def test_a_piece_after_midnight_counts_its_hours_on(self):
        cut = clinic(routine(SESSION_END), week=self.LATE, closures=[closure("2026-11-27T23:30", "2026-11-28T00:30")])
        expected = [("session:22:00", "2026-11-27T22:30:00Z"), ("session:24:30", "2026-11-28T01:00:00Z")]
        assert brief(at_day(cut, "2026-11-27"), "slot", "anchor_at") == expected

    def test_a_session_whose_beginning_was_cut_keeps_its_name(self):
        cut = clinic(routine(SESSION_END), closures=[closure("2026-11-27T07:00", "2026-11-27T09:00")])
        assert brief(at_day(cut, "2026-11-27"), "slot") == [("session:08:00",), ("session:13:00",)]

    def test_a_session_taken_away_whole_is_not_required_at_its_closing(self):
        cut = clinic(routine(SESSION_END), closures=[closure("2026-11-27T12:30", "2026-11-27T18:00")])
        expected = [("session:08:00", "2026-11-27T11:00:00Z", False), ("session:13:00", "2026-11-27T16:00:00Z", True)]
        assert brief(at_day(cut, "2026-11-27"), "slot", "anchor_at", "not_required") == expected

    def test_a_posted_end_moves_the_session_under_way_and_drops_the_later_ones(self):
        posts = [{"clinic_day": "2026-11-27", "started_at": None, "ended_at": "2026-11-27T11:30:00Z"}]
        ended = clinic(routine(SESSION_END), posted=posts)
        assert brief(at_day(ended, "2026-11-27"), "slot", "anchor_at") == [("session:08:00", "2026-11-27T11:30:00Z")]

    def test_a_started_day_without_hours_has_a_closing_only_once_it_ended(self):
        # 2026-11-28 is a Saturday.
        routines = [routine(OPENING, "a"), routine(CLOSING, "b"), routine(SESSION_END, "c")]
        start = {"clinic_day": "2026-11-28", "started_at": "2026-11-28T09:00:00Z", "ended_at": None}
        begun = at_day(clinic(*routines, posted=[start]), "2026-11-28")
        assert brief(begun, "slot", "anchor_at") == [("opening", "2026-11-28T09:00:00Z")], begun
        ended = at_day(clinic(*routines, posted=[{**start, "ended_at": "2026-11-28T12:00:00Z"}]), "2026-11-28")
        assert brief(ended, "slot")[1:] == [("closing",), ("session:posted",)], ended

    def test_a_shut_day_keeps_its_opening_and_an_ordinary_closed_day_has_none(self):
        shut = clinic(routine(OPENING), closures=[closure("2026-11-27T00:00", "2026-11-29T00:00")])
        tasks = plan(shut, "2026-01-01", "2026-11-27", "2026-11-29")
        expected = [("2026-11-27", "2026-11-27T07:00:00Z", True)]
        assert brief(tasks, "clinic_day", "anchor_at", "not_required") == expected, tasks

    def test_a_special_opening_replaces_the_closure_of_its_date(self):
        special = [{"opens_on": "2026-11-27", "sessions": [{"opens": "10:00", "closes": "11:00"}]}]
        shut = clinic(routine(OPENING), closures=[closure("2026-11-26T14:00", "2026-11-29T00:00")],
                      special_openings=special)
        assert brief(at_day(shut, "2026-11-27"), "anchor_at", "not_required") == [("2026-11-27T09:00:00Z", False)]

    def test_the_dated_week_with_the_latest_first_day_is_in_force(self):
        weeks = [{"effective_on": "2026-11-26", "week": {"friday": [{"opens": "10:00", "closes": "11:00"}]}}]
        tasks = plan(clinic(routine(OPENING), weeks=weeks), "2026-01-01", "2026-11-25", "2026-11-27")
        assert brief(tasks, "anchor_at") == [("2026-11-25T07:00:00Z",), ("2026-11-27T09:00:00Z",)], tasks

    def test_the_first_seating_makes_a_shut_day_required(self):
        shut = clinic(routine({"kind": "first_patient"}), closures=[closure("2026-11-27T00:00", "2026-11-28T00:00")],
                      seatings=[seating("seated", "2026-11-27", "2026-11-27T08:05:00Z")])
        tasks = at_day(shut, "2026-11-27")
        assert brief(tasks, "anchor_at", "not_required") == [("2026-11-27T08:05:00Z", False)], tasks


class Lateness(unittest.TestCase):
    def rungs(self, *given, **more):
        ladder = {"rungs": [{"after_minutes": after, "counted_in": counted, "audience": audience}
                            for after, counted, audience in given]}
        # Closing on Friday at 17:00 local: overdue at 16:10Z.
        return at_day(clinic(routine(CLOSING), ladder=ladder, **more), "2026-11-27")[0]["rungs"]

    def test_rungs_are_counted_in_elapsed_or_opening_time_and_never_step_back(self):
        # Thirty minutes of opening time are reached on Monday at 08:30, and what is above is not before it.
        assert self.rungs((0, "opening_time", "a"), (60, "elapsed_time", "b"), (30, "opening_time", "c"),
                          (90, "elapsed_time", "d")) == [
            ["2026-11-27T16:10:00Z", "a"], ["2026-11-27T17:10:00Z", "b"], ["2026-11-30T07:30:00Z", "c"],
            ["2026-11-30T07:30:00Z", "d"]]

    def test_opening_time_that_does_not_come_in_time_leaves_out_all_above(self):
        # 120 days after 27 November is 27 March.
        given = [(10, "elapsed_time", "a"), (30, "opening_time", "b"), (99, "elapsed_time", "c")]
        shut = [closure("2026-11-28T00:00", "2027-05-01T00:00")]
        opens_on = lambda date: [{"opens_on": date, "sessions": MORNING}]
        assert len(self.rungs(*given, closures=shut, special_openings=opens_on("2027-03-27"))) == 3
        assert self.rungs(*given, closures=shut, special_openings=opens_on("2027-03-28")) == [
            ["2026-11-27T16:20:00Z", "a"]]

    def test_time_two_sessions_share_counts_once(self):
        special = [{"opens_on": "2026-11-28", "sessions": [{"opens": "08:00", "closes": "09:00"},
                                                         {"opens": "08:30", "closes": "09:30"}]}]
        assert self.rungs((80, "opening_time", "a"), special_openings=special) == [["2026-11-28T08:20:00Z", "a"]]

    def test_blocking_begins_where_the_routine_says(self):
        for blocks_from, at in [("may_start", "2026-11-27T06:00:00Z"), ("due_by", "2026-11-27T07:00:00Z")]:
            made = clinic(routine(OPENING, blocks_from=blocks_from))
            assert at_day(made, "2026-11-27")[0]["blocks_at"] == at
        assert at_day(clinic(routine(OPENING)), "2026-11-27")[0]["blocks_at"] is None

    def test_each_state_begins_at_its_instant(self):
        one = at_day(clinic(routine({"kind": "opening"}, window={**WINDOW, "due_by_minutes": 5})), "2026-11-27")[0]
        for at, expected in [("05:59:59", "upcoming"), ("06:00:00", "due"), ("07:05:00", "grace"),
                             ("07:10:00", "overdue"), ("10:59:59", "overdue"), ("11:00:00", "missed")]:
            assert state(one, None, f"2026-11-27T{at}Z") == expected, at
        recorded = {"recorded_at": "2026-11-27T07:07:00Z", "outcome": "done"}
        assert state(one, recorded, "2026-11-27T07:06:59Z") == "grace"
        assert state(one, recorded, "2026-11-27T07:07:00Z") == "done"
        assert state({**one, "not_required": True}, None, "2026-11-27T12:00:00Z") == "not_required"
