//! Whether a reading still answers heat as it did at first.
//!
//! What heat brings to a board is, but for what the board loses meanwhile, the same whenever it is given. So the course of the
//! first heat, given to a board at rest, is held against every later stretch: `h(t)` is the heat `t` seconds after the first,
//! `y(t)` the temperature. Wherever from a moment `d` on
//!
//! ```text
//!   h(d + s)  >=  share * h(s)      for all s up to t
//! ```
//!
//! there has to be, from any moment `r` of the stretch on,
//!
//! ```text
//!   y(d + t) - y(d + r)  >=  share * SAG * (y(t) - y(r))  -  what a board loses from r to t of what it stood above its rest
//! ```
//!
//! Why: the rise is the sum of what each bit of heat brings (Duhamel's theorem: linear, and heat only ever warms), however many
//! parts the board has and however slow its element is. Of the heat that was given, take `share * h(s)` away: it brings what it brought before.
//! What else there was, before the stretch or in it, brings more, or what it brought is being lost.
//!
//! A bead that hangs on by less and less while its board goes on rising doesn't do that, nor does a value that stands still; and
//! neither of them falls until much later.
//!
//! It needs a board at rest: what a warm bench brings by itself would be taken for what the heat does. So nothing is said of a
//! run that began otherwise, nor of one that has been interrupted. Nor of a bead that heat warms beside the board, as a
//! lamp does that shines on it: that part of its rise goes with the heat. It is known by falling when the heat first stops; up
//! to 6 °C of it are seen to do no harm before that.

use std::collections::VecDeque;

use crate::trend::REST_SLOPE;
use crate::units::Millis;

/// So much of the course of the first heat is kept, and a later stretch is followed for as long, seconds.
const FOLLOWED_S: f64 = 40.0;
/// Time between two moments of that course, and between the beginnings of two stretches, seconds.
const EVERY_S: f64 = 0.25;
const APART_S: f64 = 1.0;
/// From so long ago on, seconds, the rise is looked at, and from the beginning of the stretch.
const WITHIN_S: [f64; 4] = [3.0, 5.0, 8.0, FOLLOWED_S];
/// Heat is compared as the mean of so many seconds.
const MEAN_S: f64 = 1.0;
/// What mains that sag by 15 % leave of the power, as it goes with their square.
const SAG: f64 = 0.72;
/// Least share of the first heat that a stretch is followed with.
const SHARE_MIN: f64 = 0.3;
/// Share of what it stands above its rest that a board loses in a second: the lightest (2800 J/m²K) from both faces, by 11
/// and in a draft half as much again of convection, and 7 W/m²K of radiation, and a fifth more.
const LOSES: f64 = 0.02;
/// Further than this above its rest, °C, it isn't asked: warm parts radiate more.
const NEAR: f64 = 60.0;
/// Readings further apart than this, seconds, are no course.
const GAP_S: f64 = 2.0;
/// Heat of less than this is a pause, and in the first one it is to fall by no more than this, °C.
const PAUSE: f64 = 0.1;
const FALLS: f64 = 0.75;

/// A moment of a course.
#[derive(Debug, Clone, Copy)]
struct Moment {
    /// Since the first heat, seconds.
    s: f64,
    /// Heat by then, seconds of full power.
    spent: f64,
    celsius: f64,
}

/// A stretch of the run that is held against the first heat.
#[derive(Debug, Clone, Copy)]
struct Stretch {
    /// When it began, since the first heat, seconds.
    from: f64,
    share: f64,
}

/// How far a temperature rose of late, and how far it should have at the least, °C.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Short {
    pub(crate) rose: f64,
    pub(crate) least: f64,
}

impl Short {
    /// By how much, °C.
    pub(crate) fn by(self) -> f64 {
        self.least - self.rose
    }

    fn order(&self, other: &Self) -> std::cmp::Ordering {
        self.by().total_cmp(&other.by())
    }
}

/// How a temperature answered the first heat, and what it does since.
#[derive(Debug, Clone, Default)]
pub(crate) struct Response {
    began: Option<Millis>,
    spent: f64,
    /// The first [`FOLLOWED_S`], and the last.
    first: VecDeque<Moment>,
    late: VecDeque<Moment>,
    stretches: Vec<Stretch>,
    /// The highest since heat first paused, °C; `None` before. Then whether that pause has ended.
    top: Option<f64>,
    again: bool,
    /// Nothing is compared any more.
    over: bool,
}

impl Response {
    /// Takes in a temperature without most of its noise, °C, and the heat of the `dt` seconds before, a share of full power.
    /// Where it fell short most of what the first heat brought.
    pub(crate) fn take(&mut self, at: Millis, celsius: f64, heat: f64, dt: f64) -> Option<Short> {
        self.spent += heat * dt;
        self.over |= dt > GAP_S && self.began.is_some();
        if self.over || self.spent <= 0.0 {
            return None;
        }
        let now = Moment {
            s: at.since(*self.began.get_or_insert(at)).seconds(),
            spent: self.spent,
            celsius,
        };
        self.keep(now);
        self.pause(heat, celsius);
        let above = celsius - self.first.front()?.celsius;
        // Nothing that is heated comes to less than where it was at rest: the bead has been put on another board.
        if self.over || !(-FALLS..=NEAR).contains(&above) {
            self.over = true;
            return None;
        }
        let (first, late) = (&self.first, &self.late);
        let mut short: Option<Short> = None;
        self.stretches.retain_mut(|stretch| {
            let Some(here) = stretch.look(first, late, now) else {
                return false;
            };
            short = short.into_iter().chain([here]).max_by(Short::order);
            stretch.share >= SHARE_MIN
        });
        let apart = |last: &Stretch| now.s - last.from >= APART_S - 1e-9;
        if heat >= SHARE_MIN && self.stretches.last().is_none_or(apart) {
            self.stretches.push(Stretch {
                from: now.s,
                share: 1.0,
            });
        }
        short
    }

    fn keep(&mut self, now: Moment) {
        let apart = |last: &Moment| now.s - last.s >= EVERY_S - 1e-9;
        if self.late.back().is_none_or(apart) {
            if now.s <= FOLLOWED_S {
                self.first.push_back(now);
            }
            self.late.push_back(now);
            while self
                .late
                .front()
                .is_some_and(|oldest| now.s - oldest.s > FOLLOWED_S)
            {
                self.late.pop_front();
            }
        }
    }

    /// Looks whether the rise goes with the heat, when that first stops.
    fn pause(&mut self, heat: f64, celsius: f64) {
        if heat >= PAUSE {
            self.again |= self.top.is_some();
        } else if !self.again {
            let top = self.top.map_or(celsius, |top| top.max(celsius));
            self.top = Some(top);
            if top - celsius > FALLS {
                self.over = true;
            }
        }
    }
}

impl Stretch {
    /// Where it fell short most, in one of the last [`WITHIN_S`] or since its beginning; `None`: the first heat wasn't followed
    /// for so long.
    fn look(&mut self, first: &VecDeque<Moment>, late: &VecDeque<Moment>, now: Moment) -> Option<Short> {
        let t = now.s - self.from;
        let then = at_second(first, t)?;
        let rest = first.front()?.celsius;
        let before = |ago: f64| Some((at_second(first, t - ago)?, at_second(late, now.s - ago)?));
        if let Some((one, other)) = before(t.min(MEAN_S)) {
            // Without heat then, any is enough: infinite, or not a number, which `min` passes over.
            let share = (now.spent - other.spent) / (then.spent - one.spent);
            self.share = self.share.min(share);
        }
        let within = WITHIN_S.into_iter().map(|ago| ago.min(t));
        let looks = within.filter_map(before).map(|(one, other)| {
            let (above, over) = ((other.celsius - rest).max(0.0), now.s - other.s);
            let loses = above * (1.0 - (-LOSES * over).exp()) + REST_SLOPE * over;
            let brought = self.share * SAG * (then.celsius - one.celsius);
            Short {
                rose: now.celsius - other.celsius,
                // Where the first heat brought nothing more, it says nothing.
                least: if brought > 0.0 {
                    brought - loses
                } else {
                    f64::NEG_INFINITY
                },
            }
        });
        looks.max_by(Short::order)
    }
}

/// A course at a second; `None`: it doesn't reach so far.
fn at_second(course: &VecDeque<Moment>, s: f64) -> Option<Moment> {
    let at = course.partition_point(|moment| moment.s < s - 1e-9);
    let next = *course.get(at)?;
    if next.s <= s + 1e-9 {
        return Some(next);
    }
    let last = *course.get(at.checked_sub(1)?)?;
    let part = (s - last.s) / (next.s - last.s);
    let between = |one: f64, other: f64| one + part * (other - one);
    Some(Moment {
        s,
        spent: between(last.spent, next.spent),
        celsius: between(last.celsius, next.celsius),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A board under an element, both of one part: physics from memory (lumped capacities), not the board model.
    #[derive(Clone, Copy)]
    struct Board {
        /// Time constant of the element, s, and what its full heat brings, °C/s.
        lag: f64,
        rate: f64,
        /// What the element warms the bead by beside the board at full heat, °C.
        beside: f64,
    }

    const BOARD: Board = Board {
        lag: 4.0,
        rate: 1.5,
        beside: 0.0,
    };

    /// The lightest board's losses, as a share a second: convection (11 W/m²K) and radiation from both faces of 2800 J/m²K.
    const CONVECTION: f64 = 22.0 / 2800.0;
    const RADIATION: f64 = 14.0 / 2800.0;

    /// Eight seconds of full heat, a pause of three, full heat again.
    fn in_two(second: f64) -> f64 {
        if (8.0..11.0).contains(&second) { 0.0 } else { 1.0 }
    }

    /// Shorter and shorter ones, with longer and longer pauses.
    fn in_pulses(second: f64) -> f64 {
        let heated = [(0.0, 8.0), (11.0, 17.0), (22.0, 26.0), (34.0, 36.0), (50.0, 51.0)];
        f64::from(u8::from(
            heated.iter().any(|(from, to)| (*from..*to).contains(&second)),
        ))
    }

    /// How much it is short at most, by that second of 0.25 s each. `power`: what the element makes of its heat. `draft`: how much
    /// of the convection there is. `bead`: what is read of a board at that second, both from 20 °C on.
    fn short(
        board: Board,
        seconds: f64,
        heat: impl Fn(f64) -> f64,
        power: impl Fn(f64) -> f64,
        draft: impl Fn(f64) -> f64,
        mut bead: impl FnMut(f64, f64) -> f64,
    ) -> Vec<(f64, f64)> {
        let mut response = Response::default();
        let (mut element, mut rise, mut course) = (0.0, 0.0, Vec::new());
        let (mut step, mut second) = (0_u32, 0.0);
        while second < seconds {
            element += (heat(second) * power(second) - element) / board.lag * 0.05;
            rise += (board.rate * element - (CONVECTION * draft(second) + RADIATION) * rise) * 0.05;
            step += 1;
            second = 0.05 * f64::from(step);
            if step % 5 == 0 {
                let read = bead(second, 20.0 + rise + board.beside * element);
                let at = Millis(7_000_000 + 50 * u64::from(step));
                let heat = (0..5)
                    .map(|ago| heat(second - 0.05 * f64::from(ago + 1)))
                    .sum::<f64>()
                    / 5.0;
                let short = response.take(at, read, heat, 0.25);
                course.push((second, short.map_or(f64::NEG_INFINITY, Short::by)));
            }
        }
        course
    }

    fn most(course: &[(f64, f64)]) -> f64 {
        course.iter().map(|(_, by)| *by).fold(f64::NEG_INFINITY, f64::max)
    }

    /// The first moment from which on it is short by the 1.25 °C that count.
    fn when(course: &[(f64, f64)]) -> Option<f64> {
        course.iter().find(|(_, by)| *by >= 1.25).map(|(at, _)| *at)
    }

    const SAME: fn(f64) -> f64 = |_| 1.0;
    const READ: fn(f64, f64) -> f64 = |_, celsius| celsius;

    /// Every board, in a draft and under mains that sag from any moment on, but for both at once.
    #[test]
    fn what_heats_a_board_heats_it_again() {
        for lag in [2.0, 5.0, 15.0, 45.0] {
            for rate in [0.3, 1.0, 2.5] {
                let board = Board { lag, rate, ..BOARD };
                let steady = |second: f64| if second < 30.0 { 0.6 } else { 0.9 };
                for heat in [in_two, SAME, steady, in_pulses] {
                    for upset in [0.0, 5.0, 9.0, 14.0, 25.0] {
                        let sag = |second: f64| if second < upset { 1.0 } else { 0.85 * 0.85 };
                        let draft = |second: f64| if second < upset { 1.0 } else { 1.5 };
                        let sagged = most(&short(board, 60.0, heat, sag, SAME, READ));
                        let drafty = most(&short(board, 60.0, heat, SAME, draft, READ));
                        assert!(
                            sagged < 0.3 && drafty < 0.3,
                            "{lag} s {rate} °C/s: {sagged}, {drafty}"
                        );
                    }
                }
            }
        }
    }

    /// Before its reading has begun to fall.
    #[test]
    fn a_tape_that_peels_slowly_is_noticed_early() {
        let peel = |second: f64, celsius: f64| {
            let off = ((second - 11.0) / 20.0).clamp(0.0, 1.0);
            20.0 + (celsius - 20.0) * (1.0 - 0.7 * off)
        };
        let mut highest = (0.0, 0.0);
        let read = |second: f64, celsius: f64| {
            let reading = peel(second, celsius);
            if reading > highest.1 {
                highest = (second, reading);
            }
            reading
        };
        let noticed = when(&short(BOARD, 32.0, in_two, SAME, SAME, read)).unwrap();
        assert!((18.0..22.0).contains(&noticed), "{noticed} s");
        assert!(noticed < highest.0, "{noticed} s, falls from {} s on", highest.0);
    }

    #[test]
    fn a_value_that_stands_still_is_noticed() {
        let stands = |second: f64, celsius: f64| if second < 14.0 { celsius } else { 36.0 };
        let noticed = when(&short(BOARD, 60.0, in_two, SAME, SAME, stands)).unwrap();
        assert!((14.0..20.0).contains(&noticed), "{noticed} s");
        // So is one without any pause, and one whose heat is less than the first: later.
        let noticed = when(&short(BOARD, 60.0, SAME, SAME, SAME, stands)).unwrap();
        assert!((14.0..20.0).contains(&noticed), "{noticed} s");
        let less = |second: f64| if second < 10.0 { 1.0 } else { 0.8 };
        let later = when(&short(BOARD, 60.0, less, SAME, SAME, stands)).unwrap();
        assert!((noticed..30.0).contains(&later), "{later} s");
    }

    /// A lamp that shines on the bead: up to 6 °C at full heat do no harm. From some on the reading falls when the heat stops.
    #[test]
    fn what_heat_warms_beside_the_board_is_no_peel() {
        for (lag, rate) in [(2.0, 1.0), (2.0, 2.5), (5.0, 0.5), (5.0, 2.5), (15.0, 1.0)] {
            for beside in [2.0, 4.0, 6.0] {
                let board = Board { lag, rate, beside };
                for heat in [in_two, SAME, in_pulses] {
                    let course = short(board, 60.0, heat, SAME, SAME, READ);
                    assert!(
                        most(&course) < 1.0,
                        "{lag} s, {rate} °C/s, {beside} °C: {}",
                        most(&course)
                    );
                }
            }
        }
        let much = Board {
            beside: 15.0,
            lag: 2.0,
            rate: 0.5,
        };
        assert!(
            when(&short(much, 60.0, SAME, SAME, SAME, READ)).is_some(),
            "there is something to be known"
        );
        let course = short(much, 60.0, in_two, SAME, SAME, READ);
        assert!(
            course
                .iter()
                .all(|(at, by)| *at < 10.0 || *by == f64::NEG_INFINITY),
            "known by its fall"
        );
    }

    /// From a board that has cooled to 45 °C, at rest, to one at 20 °C, with the start.
    #[test]
    fn a_bead_on_another_board_is_no_peel() {
        let moved = |second: f64, celsius: f64| celsius + 25.0 * (-second).exp();
        let course = short(BOARD, 60.0, in_two, SAME, SAME, moved);
        assert!(
            course
                .iter()
                .all(|(at, by)| *at < 0.3 || *by == f64::NEG_INFINITY)
        );
    }

    /// From 60 °C above its rest on, and after readings that are further apart than 2 s.
    #[test]
    fn far_from_its_rest_and_after_a_gap_nothing_is_said() {
        let stands = |second: f64, celsius: f64| if second < 60.0 { celsius } else { 81.0 };
        let course = short(BOARD, 90.0, SAME, SAME, SAME, stands);
        assert!(course.iter().any(|(at, _)| *at > 60.0));
        assert!(
            course
                .iter()
                .all(|(at, by)| *at < 60.0 || *by == f64::NEG_INFINITY)
        );
        let mut response = Response::default();
        let mut take = |ms: u64, celsius: f64, dt: f64| {
            response.take(Millis(5_000_000 + ms), celsius, 1.0, dt).is_some()
        };
        assert!((0..60_u32).any(|scan| take(250 * u64::from(scan), 20.0 + 0.3 * f64::from(scan), 0.25)));
        assert!(!take(17_100, 40.0, 2.1));
        assert!((0..60).all(|scan| !take(17_350 + 250 * scan, 40.0, 0.25)));
    }

    /// Between two moments it is a straight line; before the first and after the last there is nothing.
    #[test]
    fn a_course_has_every_second_of_its_own() {
        let moment = |s, spent, celsius| Moment { s, spent, celsius };
        let course = VecDeque::from([
            moment(1.0, 0.5, 20.0),
            moment(2.0, 1.0, 22.0),
            moment(4.0, 3.0, 30.0),
        ]);
        let at = |s| at_second(&course, s).map(|at| (at.s, at.spent, at.celsius));
        assert_eq!(at(1.5), Some((1.5, 0.75, 21.0)));
        assert_eq!(at(2.5), Some((2.5, 1.5, 24.0)));
        assert_eq!(at(1.0), Some((1.0, 0.5, 20.0)));
        assert_eq!(at(4.0), Some((4.0, 3.0, 30.0)));
        assert_eq!((at(0.9), at(4.1)), (None, None));
    }

    /// Rises by 1 °C/s under half of the full heat and stands still from the twelfth second on, read so often: when it is short.
    fn stands_still_read_every(ms: u64) -> Option<f64> {
        let mut response = Response::default();
        (0..60_000 / ms).find_map(|scan| {
            let (at, dt) = (Millis(scan * ms), Millis(ms).seconds());
            let celsius = 20.0 + at.seconds().min(12.0);
            let short = response.take(at, celsius, 0.5, dt);
            short.filter(|short| short.by() >= 1.25).map(|_| at.seconds())
        })
    }

    /// 0.72 of 3 °C in 3 s, less 0.06 of 12 °C and 0.24 °C, is 1.2 °C, and none of it came.
    #[test]
    fn how_often_it_is_read_changes_little() {
        let often = stands_still_read_every(250).unwrap();
        assert!((15.0..15.6).contains(&often), "{often} s");
        for ms in [50, 100, 300, 500, 1_000, 2_000] {
            let noticed = stands_still_read_every(ms).unwrap();
            assert!(
                (noticed - often).abs() < 1.0 + Millis(ms).seconds(),
                "{ms} ms: {noticed} s, {often} s"
            );
        }
        assert_eq!(stands_still_read_every(2_500), None);
    }

    /// Falls of 1 °C while the heat pauses at two places: what counts is the first pause, from where it was highest in it.
    #[test]
    fn only_the_first_pause_says_whether_the_rise_goes_with_the_heat() {
        // Heat and what is read, for each quarter of a second.
        let over = |course: &[(f64, f64)]| {
            let mut response = Response::default();
            for (at, (heat, celsius)) in (0..).zip(course) {
                response.take(Millis(250 * at), *celsius, *heat, 0.25);
            }
            response.over
        };
        let rises = [(1.0, 20.0), (1.0, 21.0), (1.0, 22.0)];
        let falls = [(0.0, 22.0), (0.0, 22.25), (0.0, 21.25)];
        let a_little = [(0.0, 22.0), (0.0, 22.25), (0.0, 21.5)];
        let on = [(1.0, 22.0), (0.1, 23.0)];
        assert!(over(&[&rises[..], &falls].concat()));
        assert!(!over(&[&rises[..], &a_little].concat()));
        assert!(
            !over(&[&rises[..], &a_little, &on, &falls].concat()),
            "the second pause"
        );
        assert!(
            !over(&[&rises[..], &[(0.1, 22.25), (0.1, 21.25)]].concat()),
            "a tenth is no pause"
        );
        assert!(over(&[&rises[..], &[(0.09, 22.25), (0.09, 21.25)]].concat()));
    }

    /// However long a run takes.
    #[test]
    fn forty_seconds_are_kept_of_the_beginning_and_of_the_end() {
        let mut response = Response::default();
        for scan in 0..8_000 {
            response.take(Millis(50 * scan), 20.0, 1.0, 0.05);
        }
        assert_eq!((response.first.len(), response.late.len()), (161, 161));
        assert!(response.stretches.len() <= 41, "{}", response.stretches.len());
        // A gap before the first heat is none.
        let mut waits = Response::default();
        for (at, heat, dt) in [(0, 0.0, 0.0), (9_000, 0.0, 9.0), (9_250, 1.0, 0.25)] {
            waits.take(Millis(at), 20.0, heat, dt);
        }
        assert!(!waits.over && waits.first.len() == 1);
    }
}
