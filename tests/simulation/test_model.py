#!/usr/bin/env python3
"""Cases worked out by hand from src/domain/plan/RULES.md; run by `python3 -m unittest` in this directory.

Instants were worked out on paper with the offsets of the zone: Berlin is UTC+1 in winter and UTC+2 in summer, its
clocks change on 2026-03-29 (02:00 to 03:00) and 2026-10-25 (03:00 to 02:00): `zdump -v Europe/Berlin`.
"""

import io
import json
import random
import unittest
from contextlib import redirect_stdout
from unittest import mock

import check
from levelling import even_out
from model import plan, state

OPEN = [{"opens": "08:00", "closes": "12:00"}, {"opens": "13:00", "closes": "17:00"}]
MORNING = [{"opens": "08:00", "closes": "12:00"}]
WORKDAYS = ["monday", "tuesday", "wednesday", "thursday", "friday"]
WINDOW = {"may_start_minutes": -60, "due_by_minutes": 0, "overdue_minutes": 10, "missed_minutes": 240}
# UUIDs in the form the hash asks for.
ROUTINE, CHAIR = "11111111-1111-4111-8111-111111111111", "aaaaaaaa-aaaa-4aaa-8aaa-aaaaaaaaaaaa"


def routine(anchor, routine_id="r", version=1, effective_on="2026-01-01", kind="operatory", **more):
    document = {"name": "n", "subject_kind": kind, "selection": {}, "anchor": anchor, "window": WINDOW,
                "rough_minutes": 10, "in_use": True, **more}
    return {"routine_id": routine_id, "version": version, "effective_on": effective_on, "routine": document}


def chair(subject_id="chair", commissioned_on="2026-01-01", kind="operatory", spells=()):
    return {"subject_id": subject_id, "clinic_id": "clinic", "kind": kind, "water_source": None,
            "commissioned_on": commissioned_on, "spells": list(spells)}


def clinic(*routines, **more):
    return {"zone": "Europe/Berlin", "week": dict.fromkeys(WORKDAYS, OPEN), "weeks": [], "closures": [],
            "special_openings": [], "full_days": [], "ladder": {"rungs": []}, "subjects": [chair()], "posted": [],
            "seatings": [], "cycles": [], "events": [], "completions": [],
            "routines": [one if isinstance(one, list) else [one] for one in routines], **more}


def closure(from_local, until_local):
    return {"from_local": from_local, "until_local": until_local, "reason": "holiday"}


def event(at, event_id="e"):
    return {"event_id": event_id, "kind": "repair", "subject_id": "chair", "happened_at": at}


def seating(edge, clinic_day, at, mark_id="m"):
    return {"mark_id": mark_id, "operatory_id": "chair", "clinic_day": clinic_day, "edge": edge, "marked_at": at}


def completion(at, routine_id="r", outcome="done", verdict="passed", completion_id="c"):
    return {"completion_id": completion_id, "routine_id": routine_id, "subject_id": "chair", "performed_at": at,
            "outcome": outcome, "verdict": verdict}


def dated(rule="FREQ=DAILY", starts_on="2026-01-01", closed_day="not_required", place=None, **dates):
    return {"kind": "calendar", "dates": {"rule": rule, "starts_on": starts_on, "ends_on": None, "except_on": [],
            "also_on": [], **dates}, "place": place or {"kind": "opening"}, "closed_day": closed_day}


def brief(tasks, *names):
    return [tuple(one[name] for name in names) for one in tasks]


def at_day(a_clinic, date, today="2026-01-01", **more):
    return plan(a_clinic, today, date, date, **more)


OPENING, CLOSING, SESSION_END = {"kind": "opening"}, {"kind": "closing"}, {"kind": "session_end"}
REPAIRED = {"kind": "event", "of": ["repair"]}


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

    def test_the_two_texts_name_a_session_whose_beginning_was_cut_differently(self):
        cut = clinic(routine(SESSION_END), closures=[closure("2026-11-27T07:00", "2026-11-27T09:00")])
        assert brief(at_day(cut, "2026-11-27"), "slot") == [("session:09:00",), ("session:13:00",)]
        assert brief(at_day(cut, "2026-11-27", amended=True), "slot") == [("session:08:00",), ("session:13:00",)]

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


class Dates(unittest.TestCase):
    def landing(self, closed_day, date="2026-12-25", last="2027-01-31", **more):
        # Christmas Day 2026 is a Friday.
        anchor = dated("FREQ=YEARLY", date, closed_day, ends_on=date)
        return brief(plan(clinic(routine(anchor), **more), "2026-01-01", "2026-11-20", last),
                     "slot", "clinic_day", "not_required")

    def test_a_closed_day_moves_as_its_rule_says(self):
        holiday = {"closures": [closure("2026-12-24T14:00", "2026-12-29T00:00")]}
        slot = "rule:2026-12-25"
        assert self.landing("previous_open_day", **holiday) == [(slot, "2026-12-24", False)]
        assert self.landing("next_open_day", **holiday) == [(slot, "2026-12-29", False)]
        assert self.landing("not_required", **holiday) == [(slot, "2026-12-25", True)]

    def test_a_move_reaches_thirty_one_days_and_no_further(self):
        # 25 December and 31 days is 25 January, a Monday.
        assert self.landing("next_open_day", closures=[closure("2026-12-24T00:00", "2027-01-25T00:00")]) == [
            ("rule:2026-12-25", "2027-01-25", False)]
        assert self.landing("next_open_day", closures=[closure("2026-12-24T00:00", "2027-01-26T00:00")]) == [
            ("rule:2026-12-25", "2026-12-25", True)]

    def test_a_clinic_that_never_had_hours_moves_nothing(self):
        assert self.landing("next_open_day", week=None) == []

    def test_a_move_into_the_window_is_seen_and_one_out_of_it_is_not(self):
        anchor = dated("FREQ=YEARLY", "2026-11-28", "next_open_day")
        a_clinic = clinic(routine(anchor))
        assert brief(at_day(a_clinic, "2026-11-30"), "slot") == [("rule:2026-11-28",)]
        assert at_day(a_clinic, "2026-11-28") == []

    def test_exceptions_beat_additions_and_both_keep_to_the_rules_days(self):
        anchor = dated("FREQ=MONTHLY;BYDAY=1MO", "2026-11-01", ends_on="2026-11-30", except_on=["2026-11-02"],
                       also_on=["2026-11-02", "2026-11-04", "2026-12-01"])
        tasks = plan(clinic(routine(anchor)), "2026-01-01", "2026-10-01", "2026-12-31")
        assert brief(tasks, "clinic_day") == [("2026-11-04",)], tasks

    def test_the_version_is_that_of_the_nominal_date(self):
        # Saturday the 28th lands on Monday the 30th, when version 2 is in force already.
        versions = [routine(dated("FREQ=YEARLY", "2026-11-28", "next_open_day")),
                    routine(dated("FREQ=YEARLY", "2026-11-28", "next_open_day"), version=2, effective_on="2026-11-29")]
        assert brief(at_day(clinic(versions), "2026-11-30"), "routine_version") == [(1,)]

    def test_a_season_may_run_across_the_years_end(self):
        season = {"from": "11-27", "until": "01-04"}
        tasks = plan(clinic(routine(OPENING, season=season)), "2026-01-01", "2026-11-26", "2027-01-06")
        found = brief(tasks, "clinic_day")
        assert (found[0], found[-1]) == (("2026-11-27",), ("2027-01-04",)), found

    def test_a_rule_on_which_the_witness_departs_from_the_standard_is_refused(self):
        for rule in ["FREQ=MONTHLY;BYDAY=MO,1TU", "FREQ=YEARLY;BYWEEKNO=53;BYDAY=MO"]:
            with self.assertRaises(ValueError):
                at_day(clinic(routine(dated(rule))), "2026-11-30")


class Intervals(unittest.TestCase):
    DAYS = {"kind": "interval", "every": {"days": 7}, "place": {"kind": "opening"}, "closed_day": "next_open_day"}
    HOURS = {"kind": "interval", "every": {"opening_hours": 6}}

    def test_days_are_counted_from_the_last_done(self):
        done = [completion("2026-11-08T10:00:00Z", completion_id="1"), completion("2026-11-14T10:00:00Z"),
                completion("2026-11-19T10:00:00Z", outcome="result_pending", completion_id="3")]
        tasks = plan(clinic(routine(self.DAYS), completions=done), "2026-01-01", "2026-11-09", "2026-12-02")
        # Saturday the 14th and seven days, twice: Saturdays that land on Mondays.
        expected = [("interval:2026-11-21", "2026-11-23"), ("interval:2026-11-28", "2026-11-30")]
        assert brief(tasks, "slot", "clinic_day") == expected, tasks

    def test_never_done_begins_with_the_later_first_day(self):
        made = clinic(routine(self.DAYS, effective_on="2026-11-03"), subjects=[chair(commissioned_on="2026-11-10")])
        tasks = plan(made, "2026-01-01", "2026-11-01", "2026-11-20")
        assert brief(tasks, "slot") == [("interval:2026-11-10",), ("interval:2026-11-17",)], tasks

    def test_opening_hours_run_only_while_the_clinic_is_open(self):
        # Done on Friday at 16:00 local with one hour left; eight a day: Monday 14:00, then Tuesday 11:00.
        done = [completion("2026-11-27T15:00:00Z")]
        tasks = plan(clinic(routine(self.HOURS), completions=done), "2026-01-01", "2026-11-27", "2026-12-01")
        expected = [("hours:2026-11-30T14:00", "2026-11-30T13:00:00Z"),
                    ("hours:2026-12-01T11:00", "2026-12-01T10:00:00Z")]
        assert brief(tasks, "slot", "anchor_at") == expected, tasks

    def test_opening_hours_never_done_begin_with_the_first_opening(self):
        made = clinic(routine(self.HOURS, effective_on="2026-11-28"))
        tasks = plan(made, "2026-01-01", "2026-11-28", "2026-11-30")
        assert brief(tasks, "slot") == [("hours:2026-11-30T08:00",), ("hours:2026-11-30T15:00",)], tasks


    def test_the_two_texts_count_a_night_under_way_differently(self):
        # Open from 22:00 to 04:00; the routine begins at midnight on the 28th, four hours before a night's end.
        week = dict.fromkeys([*WORKDAYS, "saturday", "sunday"], [{"opens": "22:00", "closes": "04:00"}])
        made = clinic(routine(self.HOURS, effective_on="2026-11-28"), week=week)
        first = ("hours:2026-11-28T22:00",)
        assert brief(at_day(made, "2026-11-28"), "slot") == [first, ("hours:2026-11-29T00:00",)]
        assert brief(at_day(made, "2026-11-28", amended=True), "slot") == [first, ("hours:2026-11-29T04:00",)]


class Idle(unittest.TestCase):
    def tier(self, unused_days, routine_id, **more):
        anchor = {"kind": "idle", "unused_days": unused_days, "on": "open_days", "strengthens": "open"}
        return routine(anchor, routine_id, **more)

    def tiers(self, **more):
        return clinic(routine(OPENING, "open"), self.tier(2, "two"), self.tier(4, "four"), **more)

    def test_the_strongest_tier_a_long_weekend_earns_takes_the_openings_place(self):
        # The clinic is shut from Friday the 4th to Monday the 7th; the weekend after is an ordinary one.
        shut = self.tiers(closures=[closure("2026-12-04T00:00", "2026-12-08T00:00")])
        tasks = plan(shut, "2026-11-26", "2026-12-03", "2026-12-15")
        found = [(one["clinic_day"], one["routine_id"]) for one in tasks if not one["not_required"]]
        expected = [("2026-12-03", "open"), ("2026-12-08", "four"), ("2026-12-09", "open"), ("2026-12-10", "open"),
                    ("2026-12-11", "open"), ("2026-12-14", "two"), ("2026-12-15", "open")]
        assert sorted(found) == expected, found

    def test_before_today_only_what_was_recorded_is_use(self):
        # Seated last on Monday the 23rd: Friday the 27th, today, has three unused days.
        seated = [seating("seated", "2026-11-23", "2026-11-23T09:00:00Z")]
        tasks = plan(self.tiers(seatings=seated), "2026-11-27", "2026-11-24", "2026-11-30")
        expected = [("2026-11-24", "open"), ("2026-11-25", "open"), ("2026-11-26", "two"), ("2026-11-27", "two"),
                    ("2026-11-30", "two")]
        assert sorted(brief(tasks, "clinic_day", "routine_id")) == expected, tasks

    def test_an_operatory_out_of_service_is_not_expected_to_be_used(self):
        spell = {"from": "2026-11-30T08:00:00Z", "until": "2026-12-02T23:00:00Z", "reason": "repair"}
        tasks = plan(self.tiers(subjects=[chair(spells=[spell])]), "2026-11-26", "2026-12-01", "2026-12-03")
        # In service last on Friday the 27th: five unused days on Thursday the 3rd.
        expected = [("2026-12-01", "two", True), ("2026-12-02", "four", True), ("2026-12-03", "four", False)]
        assert sorted(brief(tasks, "clinic_day", "routine_id", "not_required")) == expected, tasks

    def test_between_tiers_of_equal_days_the_lower_id_wins(self):
        both = clinic(routine(OPENING, "open"), self.tier(2, "b"), self.tier(2, "a"))
        tasks = plan(both, "2026-11-26", "2026-11-30", "2026-11-30")
        assert brief(tasks, "routine_id", "slot") == [("a", "idle")], tasks

    def test_a_done_that_counts_as_use_is_use(self):
        used = self.tiers(completions=[completion("2026-11-28T09:00:00Z", "flush")])
        used["routines"].append([routine(REPAIRED, "flush", counts_as_use=True)])
        # Saturday used: Monday has one unused day.
        assert brief(plan(used, "2026-11-26", "2026-11-30", "2026-11-30"), "routine_id") == [("open",)]

    def test_what_is_flushed_through_a_closure_comes_on_closed_days_too(self):
        anchor = {"kind": "idle", "unused_days": 2, "on": "every_day", "place": {"kind": "local_time", "at": "09:00"}}
        shut = clinic(routine(anchor), closures=[closure("2026-12-04T00:00", "2026-12-12T00:00")])
        tasks = plan(shut, "2026-11-26", "2026-12-04", "2026-12-15")
        # Thursday the 3rd and 3, 6, 9 days; Monday the 14th is eleven days after it, the 15th follows use.
        assert brief(tasks, "slot") == [("idle:2026-12-06",), ("idle:2026-12-09",), ("idle:2026-12-12",)], tasks


class Marks(unittest.TestCase):
    def test_a_turnover_is_wanted_out_of_service_and_a_repair_is_not(self):
        spell = {"from": "2026-11-27T00:00:00Z", "until": None, "reason": "repair"}
        made = clinic(routine({"kind": "turnover"}, "a"), routine(REPAIRED, "b"), subjects=[chair(spells=[spell])],
                      seatings=[seating("left", "2026-11-27", "2026-11-27T09:10:00Z")],
                      events=[event("2026-11-27T09:10:00Z")])
        expected = [("turnover:m", False), ("event:e", True)]
        assert brief(at_day(made, "2026-11-27"), "slot", "not_required") == expected

    def test_a_spell_ends_just_before_its_last_instant(self):
        spell = {"from": "2026-11-27T07:00:00Z", "until": "2026-11-27T16:00:00Z", "reason": "repair"}
        made = clinic(routine(OPENING, "a"), routine(CLOSING, "b"), subjects=[chair(spells=[spell])])
        assert brief(at_day(made, "2026-11-27"), "slot", "not_required") == [("opening", True), ("closing", False)]

    def test_every_nth_mark_from_the_routines_first_day_counts(self):
        left = [seating("left", "2026-11-26", "2026-11-26T09:00:00Z", "0")]
        left += [seating("left", "2026-11-27", at, mark) for at, mark in [
            ("2026-11-27T11:00:00Z", "d"), ("2026-11-27T09:00:00Z", "a"), ("2026-11-27T10:00:00Z", "c"),
            ("2026-11-27T10:00:00Z", "b")]]
        anchor = {"kind": "count", "of": "turnovers", "every": 2}
        tasks = at_day(clinic(routine(anchor, effective_on="2026-11-27"), seatings=left), "2026-11-27")
        expected = [("count:2", "2026-11-27T10:00:00Z"), ("count:4", "2026-11-27T11:00:00Z")]
        assert brief(tasks, "slot", "anchor_at") == expected, tasks

    def test_cycles_of_another_piece_of_equipment_do_not_count(self):
        cycles = [{"mark_id": f"{n}", "subject_id": subject, "clinic_day": "2026-11-27",
                   "marked_at": f"2026-11-27T0{n}:00:00Z"} for n, subject in [(7, "chair"), (8, "x"), (9, "chair")]]
        tasks = at_day(clinic(routine({"kind": "count", "of": "cycles", "every": 2}), cycles=cycles), "2026-11-27")
        assert brief(tasks, "anchor_at") == [("2026-11-27T09:00:00Z",)], tasks

    def test_follows_takes_the_completions_that_count(self):
        done = [completion("2026-11-27T08:00:00Z", "test", "done", "passed", "1"),
                completion("2026-11-27T09:00:00Z", "test", "done", "failed", "2"),
                completion("2026-11-27T10:00:00Z", "test", "result_pending", None, "3"),
                completion("2026-11-27T11:00:00Z", "test", None, "void", "4"),
                completion("2026-11-27T12:00:00Z", "other", "done", "passed", "5")]
        for when, expected in [("recorded", ["1", "2", "3"]), ("passed", ["1"]), ("failed", ["2"])]:
            made = clinic(routine({"kind": "follows", "routine_id": "test", "when": when}), completions=done)
            tasks = at_day(made, "2026-11-27")
            assert [one["slot"] for one in tasks] == [f"follows:{one}" for one in expected], (when, tasks)
        assert tasks[0]["anchor_at"] == "2026-11-27T09:00:00Z"

    def test_there_is_nothing_before_the_commissioning(self):
        made = clinic(routine(OPENING), subjects=[chair(commissioned_on="2026-11-27")])
        assert brief(plan(made, "2026-01-01", "2026-11-26", "2026-11-27"), "clinic_day") == [("2026-11-27",)]


class Periods(unittest.TestCase):
    def period(self, each="week", spread=False, routine_id=ROUTINE, **more):
        return routine({"kind": "period", "each": each, "spread": spread}, routine_id, **more)

    def test_a_week_runs_from_its_midnight_to_its_midnight(self):
        expected = [("2026-11-29", "period:2026-W48", "2026-11-22T23:00:00Z", "2026-11-27T16:00:00Z",
                     "2026-11-27T16:00:00Z", "2026-11-29T23:00:00Z", "2026-11-27T16:00:00Z")]
        tasks = at_day(clinic(self.period()), "2026-11-25")
        names = ["clinic_day", "slot", "due_from", "due_by", "overdue_at", "missed_at", "anchor_at"]
        assert brief(tasks, *names) == expected, tasks

    def test_a_last_session_past_the_periods_end_is_waited_for(self):
        night = {"sunday": [{"opens": "22:00", "closes": "02:00"}]}
        tasks = at_day(clinic(self.period(), week=night), "2026-11-25")
        assert brief(tasks, "overdue_at", "missed_at") == [("2026-11-30T01:00:00Z", "2026-11-30T01:00:00Z")], tasks

    def test_slots_name_the_period_that_overlaps_the_window(self):
        for each, slot in [("week", "2026-W53"), ("month", "2027-01"), ("quarter", "2027-Q1"), ("year", "2027")]:
            tasks = at_day(clinic(self.period(each)), "2027-01-02")
            assert brief(tasks, "slot") == [(f"period:{slot}",)], tasks

    def test_a_period_without_an_open_day_is_not_required_at_noon_of_its_last_date(self):
        shut = clinic(self.period(), closures=[closure("2026-11-23T00:00", "2026-11-30T00:00")])
        expected = [("2026-11-29T11:00:00Z", "2026-11-29T11:00:00Z", True)]
        assert brief(at_day(shut, "2026-11-25"), "due_by", "overdue_at", "not_required") == expected
        assert at_day(clinic(self.period(), week=None), "2026-11-25") == []

    def load(self, day_name, rough_minutes):
        """A routine that puts minutes on one day of each week."""
        rule = f"FREQ=WEEKLY;BYDAY={day_name}"
        return routine(dated(rule), f"load-{day_name}", rough_minutes=rough_minutes)

    def three_days(self, *routines, **more):
        week = dict.fromkeys(["monday", "tuesday", "wednesday"], MORNING)
        return clinic(self.load("MO", 60), self.load("WE", 20), *routines, week=week, **more)

    def due_days(self, a_clinic, amended=False):
        tasks = at_day(a_clinic, "2026-11-25", amended=amended)
        return {(one["routine_id"], one["subject_id"]): one["due_by"][:10] for one in tasks if "period" in one["slot"]}

    def test_the_level_keeps_an_item_from_the_days_that_are_fuller(self):
        # Loads 60, 0, 20 and 40 more: the level is 30 (30 + 10). Twice the load and 40 is at most 60 on Tuesday only.
        made = self.three_days(self.period(spread=True, rough_minutes=40))
        assert self.due_days(made) == {(ROUTINE, "chair"): "2026-11-24"}

    def test_a_full_day_is_passed_over(self):
        # Loads 60 and 20 and 30 more: the level is 50 (30 on Wednesday alone). Twice 20 and 30 is at most 100.
        full = self.three_days(self.period(spread=True, rough_minutes=30), full_days=["2026-11-24"])
        assert self.due_days(full)[ROUTINE, "chair"] == "2026-11-25"

    def test_without_a_day_below_the_level_the_least_loaded_day_is_taken(self):
        # Loads 1, 0, 1 and 10 more: the level is 4 (3 + 4 + 3), and ten minutes alone are more than twice it.
        # Loads 0, 1, 1 are the same with Monday for the least, so the day is not the first by chance.
        week = dict.fromkeys(["monday", "tuesday", "wednesday"], MORNING)
        for loaded, least in [(("MO", "WE"), "2026-11-24"), (("TU", "WE"), "2026-11-23"), (("MO", "TU"), "2026-11-25")]:
            item = self.period(spread=True, rough_minutes=10)
            made = clinic(*[self.load(name, 1) for name in loaded], item, week=week)
            assert self.due_days(made)[ROUTINE, "chair"] == least, loaded

    def test_an_item_moves_on_where_a_day_is_full(self):
        # Three of 100 on loads 60, 0, 20: the level is 127 (67 + 127 + 107 = 301). An item fits a day of at most 77,
        # so none joins another.
        three = self.three_days(self.period(spread=True, rough_minutes=100),
                                subjects=[chair("a"), chair("b"), chair("c")])
        for (one,) in three["routines"][:2]:
            one["routine"]["selection"] = {"subject_ids": ["a"]}
        assert sorted(self.due_days(three).values()) == ["2026-11-23", "2026-11-24", "2026-11-25"]

    def test_with_all_days_full_they_are_candidates_again(self):
        full = ["2026-11-23", "2026-11-24", "2026-11-25"]
        made = self.three_days(self.period(spread=True, rough_minutes=40), full_days=full)
        assert self.due_days(made)[ROUTINE, "chair"] == "2026-11-24"

    def test_a_subject_waits_for_its_commissioning(self):
        made = self.three_days(self.period(spread=True, rough_minutes=40),
                               subjects=[chair(commissioned_on="2026-11-25")])
        assert self.due_days(made)[ROUTINE, "chair"] == "2026-11-25"

    def test_equal_days_are_taken_in_the_order_of_their_hashes(self):
        # printf '11111111-…/aaaaaaaa-…/2026-W48/2026-11-23' | sha256sum, and so on: 04c0… on Monday,
        # ff14… on Tuesday, 667f… on Wednesday. With Monday full, Wednesday comes before Tuesday.
        week = dict.fromkeys(["monday", "tuesday", "wednesday"], MORNING)
        made = clinic(self.period(spread=True), week=week, subjects=[chair(CHAIR)])
        assert self.due_days(made)[ROUTINE, CHAIR] == "2026-11-23"
        made["full_days"] = ["2026-11-23"]
        assert self.due_days(made)[ROUTINE, CHAIR] == "2026-11-25"

    def test_the_longest_item_is_placed_first(self):
        # 60, 30 and 30 on two empty days: the level is 60, so the sixty has a day alone. Placed before it, the short
        # ones would part for some of these names and leave it no such day.
        week = dict.fromkeys(["monday", "tuesday"], MORNING)
        for name in "abcdefgh":
            made = clinic(*[self.period(spread=True, routine_id=f"{name}{n}", rough_minutes=size)
                            for n, size in enumerate([30, 60, 30])], week=week)
            found = self.due_days(made)
            assert found[f"{name}0", "chair"] == found[f"{name}2", "chair"] != found[f"{name}1", "chair"], found

    def test_the_move_with_the_largest_product_comes_first(self):
        # Of the amended text. Loads 70 and 0; ten leaves 60 of the difference (600), thirty leaves 40 (1200): thirty
        # moves, and ten would then gain nothing (40 - 30 - 10). Had ten moved first, both would have.
        items = [{"key": size, "name": f"{size}", "minutes": size, "candidates": ["a", "b"]} for size in (10, 30)]
        placed = {10: "a", 30: "a"}
        even_out(items, placed, {"a": 70, "b": 0})
        assert placed == {10: "a", 30: "b"}, placed

    def test_weeks_are_levelled_on_top_of_months(self):
        # One day in the month is open besides the week's: the month's 30 minutes lie on the 23rd or the 24th, and
        # the week's on the other.
        specials = [{"opens_on": date, "sessions": MORNING} for date in ["2026-11-23", "2026-11-24"]]
        other = "22222222-2222-4222-8222-222222222222"
        made = clinic(self.period("month", True, rough_minutes=30), self.period("week", True, other, rough_minutes=30),
                      week=None, special_openings=specials)
        found = self.due_days(made)
        assert sorted(found.values()) == ["2026-11-23", "2026-11-24"], found

    def test_posts_do_not_move_the_chosen_day(self):
        made = self.three_days(self.period(spread=True, rough_minutes=40))
        made["posted"] = [{"clinic_day": "2026-11-26", "started_at": "2026-11-26T08:00:00Z", "ended_at": None}]
        tasks = [one for one in at_day(made, "2026-11-25") if "period" in one["slot"]]
        # The two texts part on the last open day: a started Thursday without hours counts in the first only.
        assert brief(tasks, "due_by", "overdue_at") == [("2026-11-24T11:00:00Z", "2026-11-26T11:00:00Z")], tasks
        tasks = [one for one in at_day(made, "2026-11-25", amended=True) if "period" in one["slot"]]
        assert brief(tasks, "due_by", "overdue_at") == [("2026-11-24T11:00:00Z", "2026-11-25T11:00:00Z")], tasks

    def test_the_amended_text_leaves_no_move_that_would_even_the_load(self):
        # Random small weeks; the law is that of the text, not of the code that keeps it.
        rng = random.Random(20261125)
        unevened = 0
        for _ in range(40):
            sizes = [rng.randint(5, 90) for _ in range(4)]
            made = self.three_days(*[
                self.period(spread=True, routine_id=f"r{n}", rough_minutes=size) for n, size in enumerate(sizes)
            ])
            for amended in (False, True):
                found = self.due_days(made, amended)
                load = {"2026-11-23": 60, "2026-11-24": 0, "2026-11-25": 20}
                for n, size in enumerate(sizes):
                    load[found[f"r{n}", "chair"]] += size
                moves = [(n, there) for n, size in enumerate(sizes) for there in load
                         if load[there] + size < load[found[f"r{n}", "chair"]]]
                if amended:
                    assert not moves, (sizes, found, moves)
                else:
                    unevened += bool(moves)
        assert unevened, "no case in which evening out had anything to do"


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
        # The 120 days begin on 26 November: the last is 25 March.
        given = [(10, "elapsed_time", "a"), (30, "opening_time", "b"), (99, "elapsed_time", "c")]
        assert len(self.rungs(*given, closures=[closure("2026-11-28T00:00", "2027-03-25T00:00")])) == 3
        assert self.rungs(*given, closures=[closure("2026-11-28T00:00", "2027-03-26T00:00")]) == [
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


class Check(unittest.TestCase):
    def run_check(self, cases):
        text = "\n".join(json.dumps(one) for one in cases)
        shown = io.StringIO()
        with mock.patch("sys.stdin", io.StringIO(text)), mock.patch("sys.argv", ["check.py"]), redirect_stdout(shown):
            return check.main(), shown.getvalue()

    def case(self):
        made = clinic(routine(OPENING))
        days = {"today": "2026-01-01", "first": "2026-11-27", "last": "2026-11-30"}
        return {"clinic": made, **days, "tasks": plan(made, *days.values())}

    def test_agreement_ends_with_zero_and_says_how_much_was_compared(self):
        code, shown = self.run_check([self.case()])
        assert (code, shown) == (0, "1 cases, 2 tasks, 10 instants compared; 0 differences\n"), shown

    def test_a_changed_a_missing_and_a_doubled_task_are_each_told(self):
        changed, missing, doubled = self.case(), self.case(), self.case()
        changed["tasks"][0]["due_by"] = "2026-11-27T07:00:01Z"
        missing["tasks"].pop()
        doubled["tasks"].append(doubled["tasks"][0])
        for one in (changed, missing, doubled):
            code, shown = self.run_check([one])
            assert code == 1 and "; 1 differences" in shown, shown

    def test_no_task_compared_is_no_agreement(self):
        assert self.run_check([])[0] == 1


if __name__ == "__main__":
    unittest.main()
