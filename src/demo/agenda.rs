//! One clinic's day before it happens: who opens, when chairs are taken and left, and when somebody looks at the
//! tablet.
//!
//! The rule of this file: a day follows from the clinic's hours and the dice alone. What the service answers changes
//! what people do at a moment ([`super::history`]), never when they are there.

use chrono::{DateTime, TimeDelta, Utc};
use uuid::Uuid;

use super::dice::Dice;
use crate::domain::hours::ClinicDay;

/// Part of the day, which decides what somebody at a tablet takes up.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Phase {
    /// Before the first patient.
    Opening,
    /// While patients come and go.
    Session,
    /// After the last patient.
    Closing,
    /// The network is back: what was done in the meantime is entered.
    BackOnline,
}

/// What happens at an instant.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Happening {
    /// The front desk starts the clinic day.
    StartDay,
    /// The front desk ends it.
    EndDay,
    /// A patient sits down.
    Seat(Uuid),
    /// A patient leaves.
    Leave(Uuid),
    /// Somebody takes the tablet of an operatory.
    AtChair(Uuid, Phase),
    /// Somebody takes the tablet for everything that is no operatory.
    AroundClinic(Phase),
    /// A steriliser ends a cycle.
    EndCycle(Uuid),
}

/// What is out of the ordinary on a day.
#[derive(Clone, Debug, Default)]
pub(super) struct Oddities {
    /// The front desk forgets to start the day.
    pub start_forgotten: bool,
    /// This operatory's tablet is without a network for so many minutes after opening.
    pub offline: Option<(Uuid, i64)>,
}

/// The day of a clinic whose usable operatories are `chairs`, in order of time; empty on a closed day.
#[must_use]
pub(super) fn day(
    day: &ClinicDay,
    chairs: &[Uuid],
    sterilisers: &[Uuid],
    odd: &Oddities,
    dice: &mut Dice,
) -> Vec<(DateTime<Utc>, Happening)> {
    let (Some(opens_at), Some(closes_at)) = (day.opens_at(), day.closes_at()) else { return Vec::new() };
    let mut happenings = desk(opens_at, closes_at, odd, dice);
    let mut round = |base: DateTime<Utc>, low: i64, high: i64, phase: Phase| {
        (base + seconds_within(dice, low, high), Happening::AroundClinic(phase))
    };
    happenings.extend([
        round(opens_at, -50, -35, Phase::Opening),
        round(opens_at, 15, 30, Phase::Session),
        round(opens_at, 150, 200, Phase::Session),
        round(closes_at, -75, -50, Phase::Session),
        round(closes_at, 3, 9, Phase::Closing),
    ]);
    for steriliser in sterilisers {
        let mut ends_at = opens_at + seconds_within(dice, 50, 90);
        while ends_at < closes_at {
            happenings.push((ends_at, Happening::EndCycle(*steriliser)));
            ends_at += seconds_within(dice, 70, 160);
        }
    }
    for chair in chairs {
        let back_at =
            odd.offline.filter(|(id, _)| id == chair).map(|(_, minutes)| opens_at + TimeDelta::minutes(minutes));
        let at_chair = at_chair(day, *chair, opens_at, closes_at, dice);
        happenings.extend(at_chair.into_iter().filter(|(at, happening)| {
            !(matches!(happening, Happening::AtChair(..)) && back_at.is_some_and(|back_at| *at < back_at))
        }));
        happenings.extend(back_at.map(|at| (at, Happening::AtChair(*chair, Phase::BackOnline))));
    }
    happenings.sort_by_key(|(at, _)| *at);
    happenings
}

fn desk(
    opens_at: DateTime<Utc>,
    closes_at: DateTime<Utc>,
    odd: &Oddities,
    dice: &mut Dice,
) -> Vec<(DateTime<Utc>, Happening)> {
    let start_at = opens_at + if dice.happens(100) { seconds_within(dice, 8, 25) } else { seconds_within(dice, -9, 4) };
    let end_at = closes_at + seconds_within(dice, 40, 55);
    let mut happenings = Vec::new();
    if !odd.start_forgotten {
        happenings.push((start_at, Happening::StartDay));
    }
    if !dice.happens(30) {
        happenings.push((end_at, Happening::EndDay));
    }
    happenings
}

fn at_chair(
    day: &ClinicDay,
    chair: Uuid,
    opens_at: DateTime<Utc>,
    closes_at: DateTime<Utc>,
    dice: &mut Dice,
) -> Vec<(DateTime<Utc>, Happening)> {
    let mut happenings = vec![
        (opens_at + seconds_within(dice, -48, -30), Happening::AtChair(chair, Phase::Opening)),
        (closes_at + seconds_within(dice, 1, 6), Happening::AtChair(chair, Phase::Closing)),
    ];
    // A visit and the turnover after it; eight to twelve fit into an ordinary day.
    let visit = dice.between(46, 58);
    for (starts_at, ends_at) in &day.sessions {
        let mut at = *starts_at + seconds_within(dice, 1, 9);
        while at + TimeDelta::minutes(visit - 8) <= *ends_at {
            let left_at = at + TimeDelta::minutes(visit - 15) + seconds_within(dice, -4, 2);
            happenings.extend([
                (at, Happening::Seat(chair)),
                (left_at, Happening::Leave(chair)),
                (left_at + seconds_within(dice, 1, 2), Happening::AtChair(chair, Phase::Session)),
            ]);
            at += TimeDelta::minutes(visit);
        }
    }
    happenings
}

/// A span between two numbers of minutes, to the second, since nobody acts on the full minute.
pub(super) fn seconds_within(dice: &mut Dice, low_minutes: i64, high_minutes: i64) -> TimeDelta {
    TimeDelta::seconds(dice.between(low_minutes * 60, high_minutes * 60))
}

#[cfg(test)]
mod tests {
    use chrono::NaiveDate;

    use super::*;

    fn open_day() -> ClinicDay {
        let date = NaiveDate::from_ymd_opt(2026, 3, 4).expect("a date");
        let at = |hour, minute| date.and_hms_opt(hour, minute, 0).expect("a time").and_utc();
        ClinicDay {
            date,
            sessions: vec![(at(8, 0), at(12, 0)), (at(13, 0), at(17, 30))],
            known_by: vec![480, 780],
            closed_by: None,
        }
    }

    #[test]
    fn a_chair_is_never_taken_twice_nor_outside_a_session_whatever_the_dice() {
        let chair = Uuid::from_u128(1);
        for seed in 0..300 {
            let happenings = day(&open_day(), &[chair], &[], &Oddities::default(), &mut Dice::new(seed));
            let mut seated = false;
            let mut visits = 0;
            for (at, happening) in happenings {
                match happening {
                    Happening::Seat(_) => {
                        assert!(!seated, "seed {seed}: taken twice");
                        assert!(open_day().sessions.iter().any(|(from, to)| (*from..*to).contains(&at)));
                        seated = true;
                        visits += 1;
                    }
                    Happening::Leave(_) => {
                        assert!(seated, "seed {seed}: left before it was taken");
                        seated = false;
                    }
                    _ => {}
                }
            }
            assert!(!seated && (8..=12).contains(&visits), "seed {seed}: {visits} visits");
        }
    }

    #[test]
    fn a_tablet_without_a_network_is_not_used_before_it_is_back() {
        let chair = Uuid::from_u128(1);
        let odd = Oddities { offline: Some((chair, 200)), ..Oddities::default() };
        let happenings = day(&open_day(), &[chair], &[], &odd, &mut Dice::new(3));
        let first = happenings.iter().find(|(_, h)| matches!(h, Happening::AtChair(..))).expect("it comes back");
        assert_eq!(first.1, Happening::AtChair(chair, Phase::BackOnline));
        assert_eq!(first.0, open_day().sessions[0].0 + TimeDelta::minutes(200));
    }

    #[test]
    fn nothing_happens_on_a_closed_day() {
        let closed = ClinicDay { sessions: Vec::new(), ..open_day() };
        assert!(day(&closed, &[Uuid::from_u128(1)], &[], &Oddities::default(), &mut Dice::new(1)).is_empty());
    }
}
