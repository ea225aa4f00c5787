"""Dates, intervals, unused days, marks, events and what follows a completion.

Worked out by hand from src/domain/plan/RULES.md; the offsets of the zone are told in small_clinics.py.
"""

import unittest

from model import plan
from small_clinics import (
    CLOSING, OPENING, REPAIRED, WORKDAYS, at_day, brief, chair, clinic, closure, completion, dated, event, routine,
    seating,
)


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

    def test_a_clinic_that_has_had_no_hours_has_no_date_on_a_closed_day(self):
        for closed_day in ["next_open_day", "not_required"]:
            assert self.landing(closed_day, week=None) == []
            # A week that opens on no day is hours too.
            assert self.landing(closed_day, week={}) == [("rule:2026-12-25", "2026-12-25", True)]

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

    def test_opening_hours_never_done_leave_out_a_night_under_way(self):
        # Open from 22:00 to 04:00; the routine begins at midnight on the 28th, four hours before a night's end.
        week = dict.fromkeys([*WORKDAYS, "saturday", "sunday"], [{"opens": "22:00", "closes": "04:00"}])
        made = clinic(routine(self.HOURS, effective_on="2026-11-28"), week=week)
        first = ("hours:2026-11-28T22:00",)
        assert brief(at_day(made, "2026-11-28"), "slot") == [first, ("hours:2026-11-29T04:00",)]


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

    def test_marks_before_those_that_are_listed_have_their_number_and_their_use(self):
        anchor = {"kind": "count", "of": "turnovers", "every": 3}
        before = {"marks": [{"routine_id": "r", "subject_id": "chair", "turnovers": 8, "cycles": 0}],
                  "last_use": [{"subject_id": "chair", "on": "2026-11-26"}]}
        idle = {"kind": "idle", "unused_days": 1, "on": "open_days"}
        made = clinic(routine(anchor), routine(idle, "i"), before=before,
                      seatings=[seating("left", "2026-11-27", "2026-11-27T09:00:00Z")])
        assert brief(at_day(made, "2026-11-27", "2026-11-27"), "slot") == [("count:9",)]

    def test_a_patient_elsewhere_is_the_chairs_and_not_the_clinics(self):
        elsewhere = [{**seating("seated", "2026-11-27", "2026-11-27T09:00:00Z"), "clinic_id": "other"}]
        for kind, expected in [("operatory", "2026-11-27T09:00:00Z"), ("clinic", "2026-11-27T07:00:00Z")]:
            made = clinic(routine({"kind": "first_patient"}, kind=kind), subjects=[chair(kind=kind)], seatings=elsewhere)
            assert brief(at_day(made, "2026-11-27"), "anchor_at") == [(expected,)]

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
                completion("2026-11-27T12:00:00Z", "other", "done", "passed", "5"),
                {**completion("2026-11-27T13:00:00Z", "test", "done", "passed", "6"), "of_sample": True},
                # Outside the window of its task.
                completion("2026-11-27T14:00:00Z", "test", None, "passed", "7")]
        for when, expected in [("recorded", ["1", "2", "3"]), ("passed", ["1", "6"]), ("failed", ["2"])]:
            made = clinic(routine({"kind": "follows", "routine_id": "test", "when": when}), completions=done)
            tasks = at_day(made, "2026-11-27")
            assert [one["slot"] for one in tasks] == [f"follows:{one}" for one in expected], (when, tasks)
        assert tasks[0]["anchor_at"] == "2026-11-27T09:00:00Z"

    def test_there_is_nothing_before_the_commissioning(self):
        made = clinic(routine(OPENING), subjects=[chair(commissioned_on="2026-11-27")])
        assert brief(plan(made, "2026-01-01", "2026-11-26", "2026-11-27"), "clinic_day") == [("2026-11-27",)]
