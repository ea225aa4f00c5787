"""Periods and the days that levelling chooses in them.

Worked out by hand from src/domain/plan/RULES.md; the offsets of the zone are told in small_clinics.py.
"""

import random
import unittest
from unittest import mock

from levelling import even_out
from small_clinics import CHAIR, MORNING, ROUTINE, at_day, brief, chair, clinic, closure, dated, routine


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

    def test_a_subject_that_came_after_the_last_open_day_is_not_asked_for_the_period(self):
        # Open until Friday the 27th: commissioned on it, the chair owes the week; on Saturday, no more.
        for spread in (False, True):
            for commissioned_on, expected in [("2026-11-27", ("2026-11-27T16:00:00Z", "2026-11-27T16:00:00Z", False)),
                                              ("2026-11-28", ("2026-11-29T11:00:00Z", "2026-11-29T11:00:00Z", True))]:
                made = clinic(self.period(spread=spread), subjects=[chair(commissioned_on=commissioned_on)])
                found = brief(at_day(made, "2026-11-28"), "due_by", "overdue_at", "not_required")
                assert found == [expected], (spread, commissioned_on, found)

    def load(self, day_name, rough_minutes):
        """A routine that puts minutes on one day of each week."""
        rule = f"FREQ=WEEKLY;BYDAY={day_name}"
        return routine(dated(rule), f"load-{day_name}", rough_minutes=rough_minutes)

    def three_days(self, *routines, **more):
        week = dict.fromkeys(["monday", "tuesday", "wednesday"], MORNING)
        return clinic(self.load("MO", 60), self.load("WE", 20), *routines, week=week, **more)

    def due_days(self, a_clinic):
        tasks = at_day(a_clinic, "2026-11-25")
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

    def test_a_subject_is_no_load_before_its_commissioning(self):
        # Loads 0 and 30 and 10 more: the level is 10, and the item fits on Monday. With the late chair's sixty there,
        # the level would be 40 and the item would fit on Tuesday alone.
        late = chair("late", commissioned_on="2026-11-24")
        made = clinic(self.load("MO", 60), self.load("TU", 30), self.period(spread=True),
                      week=dict.fromkeys(["monday", "tuesday"], MORNING), subjects=[chair(), late])
        for (one,), subject in zip(made["routines"], ["late", "chair", "chair"]):
            one["routine"]["selection"] = {"subject_ids": [subject]}
        assert self.due_days(made) == {(ROUTINE, "chair"): "2026-11-23"}

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
        # Loads 70 and 0; ten leaves 60 of the difference (600), thirty leaves 40 (1200): thirty
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
        # A started Thursday without hours is not the last open day either.
        assert brief(tasks, "due_by", "overdue_at") == [("2026-11-24T11:00:00Z", "2026-11-25T11:00:00Z")], tasks

    def test_no_move_is_left_that_would_even_the_load(self):
        # Random small weeks; the law is that of the text, not of the code that keeps it.
        rng = random.Random(20261125)
        moved = 0
        for _ in range(40):
            sizes = [rng.randint(5, 90) for _ in range(4)]
            made = self.three_days(*[
                self.period(spread=True, routine_id=f"r{n}", rough_minutes=size) for n, size in enumerate(sizes)
            ])
            with mock.patch("levelling.even_out"):
                before = self.due_days(made)
            found = self.due_days(made)
            moved += found != before
            load = {"2026-11-23": 60, "2026-11-24": 0, "2026-11-25": 20}
            for n, size in enumerate(sizes):
                load[found[f"r{n}", "chair"]] += size
            moves = [(n, there) for n, size in enumerate(sizes) for there in load
                     if load[there] + size < load[found[f"r{n}", "chair"]]]
            assert not moves, (sizes, found, moves)
        assert moved, "no case in which evening out had anything to do"
