//! What a bench has done since its run began, as far as a chart needs it, and what was foretold of that.

use benchward_api::shapes;
use benchward_archive::Wall;
use benchward_core::recipe::Recipe;

use crate::outline::{Outline, Point};
use crate::readings::Readings;

/// Columns of a curve: more than any terminal has columns of dots, few enough for a shift of many benches.
const COLUMNS_MAX: usize = 1_200;

/// How far back a bench without a run is shown, seconds.
pub(super) const IDLE_S: f64 = 600.0;

/// The course of one bench.
#[derive(Debug, Clone, Default)]
pub(crate) struct Course {
    run: Option<u64>,
    began: Option<Wall>,
    /// When the newest reading came, seconds.
    pub(super) now_s: f64,
    /// Each channel with what it read: seconds since the course began, °C.
    pub(super) measured: Vec<(String, Outline)>,
    /// What was foretold before the run began.
    pub(super) planned: Vec<Point>,
    /// How cool is safe, °C.
    safe: Option<f64>,
}

impl Course {
    /// Takes what a station shows at `at`. Returns the run whose beginning has to be asked for, when it is a new one.
    pub(super) fn take(&mut self, at: Wall, station: &shapes::Station) -> Option<u64> {
        let new = self.began.is_none() || self.run != station.run;
        if new {
            *self = Self {
                run: station.run,
                began: Some(at),
                ..Self::default()
            };
        }
        self.now_s = self.since(at);
        let now_s = self.now_s;
        for channel in &station.channels {
            if let Some(celsius) = channel.celsius {
                self.curve(&channel.channel).push((now_s, celsius));
            }
        }
        if station.run.is_none() {
            for (_, curve) in &mut self.measured {
                curve.forget_before(now_s - IDLE_S);
            }
        }
        station.run.filter(|_| new)
    }

    /// Takes the record of the run that goes on, and what was read of it before anybody looked.
    pub(super) fn told(&mut self, shown: &shapes::RunShown, before: &Readings) {
        if self.run != Some(shown.run.run) {
            return;
        }
        let Ok(began) = shown.run.started.parse::<Wall>() else {
            return;
        };
        // What was seen since counts from when somebody looked.
        let later = self.began.map_or(0.0, |looked| seconds(looked, began));
        self.began = Some(began);
        self.now_s += later;
        let since = std::mem::take(&mut self.measured);
        for (name, column) in &before.channels {
            let points = before.at_s.iter().copied().zip(column);
            let earlier = points.filter_map(|(at, celsius)| Some((at, (*celsius)?)));
            let curve = Outline::of(COLUMNS_MAX, earlier.take_while(|point| point.0 < later));
            self.measured.push((name.clone(), curve));
        }
        for (name, seen) in since {
            let curve = self.curve(&name);
            for (at, celsius) in seen.points() {
                curve.push((at + later, celsius));
            }
        }
        self.safe = Recipe::parse(&shown.run.recipe, &shown.recipe_text)
            .ok()
            .map(|recipe| recipe.cooldown.safe.degrees());
        let start = self
            .measured
            .iter()
            .filter_map(|(_, curve)| curve.points().next())
            .map(|point| point.1)
            .reduce(f64::min);
        if let (Some(prediction), Some(start)) = (&shown.prediction, start) {
            self.planned = corners(prediction, (0.0, start), 0.0, self.safe);
        }
    }

    /// What is foretold from now on.
    pub(super) fn ahead(&self, station: &shapes::Station) -> Vec<Point> {
        let (Some(prediction), Some(began)) = (&station.prediction, self.began) else {
            return Vec::new();
        };
        let from = prediction
            .from
            .as_deref()
            .and_then(|from| from.parse::<Wall>().ok());
        let control = station
            .control_celsius
            .or_else(|| crate::status::hottest(station));
        match (from, control) {
            (Some(from), Some(control)) => {
                corners(prediction, (self.now_s, control), seconds(from, began), self.safe)
            }
            _ => Vec::new(),
        }
    }

    /// Where the likeliest time of a moment is on the axis.
    pub(super) fn moment_s(&self, moment: &shapes::Moment) -> Option<f64> {
        Some(seconds(moment.at.as_deref()?.parse().ok()?, self.began?))
    }

    fn since(&self, at: Wall) -> f64 {
        self.began.map_or(0.0, |began| seconds(at, began))
    }

    /// What a channel has read; empty where it is a new one.
    fn curve(&mut self, channel: &str) -> &mut Outline {
        let known = self.measured.iter().position(|(name, _)| name == channel);
        let at = known.unwrap_or_else(|| {
            self.measured
                .push((channel.to_owned(), Outline::new(COLUMNS_MAX)));
            self.measured.len() - 1
        });
        &mut self.measured[at].1
    }
}

#[expect(clippy::cast_precision_loss, reason = "milliseconds of a run")]
fn seconds(later: Wall, earlier: Wall) -> f64 {
    (later.0 - earlier.0) as f64 / 1_000.0
}

/// The corners of what is foretold: from `start` to each target, over its dwell, to where the board is safe. `offset_s`: of
/// the prediction's zero on the axis. Ends where nobody can say.
fn corners(prediction: &shapes::Prediction, start: Point, offset_s: f64, safe: Option<f64>) -> Vec<Point> {
    let mut points = vec![start];
    for stage in &prediction.stages {
        for moment in [&stage.arrival, &stage.end] {
            match moment.likely_s {
                Some(at) => points.push((at + offset_s, stage.target_celsius)),
                None if moment.past => {}
                None => return points,
            }
        }
    }
    if let (Some(at), Some(safe)) = (prediction.safe.likely_s, safe) {
        let end = (at + offset_s, safe);
        // A board cools fast while it is hot: a straight line would say otherwise. Halfway there it has lost most of it.
        if let Some(last) = points.last().copied() {
            let room = 25.0_f64.min(safe - 5.0);
            points.extend((1..8).map(|part| cooling(last, end, room, f64::from(part) / 8.0)));
        }
        points.push(end);
    }
    points
}

/// A point of Newton's cooling from `from` to `to` in a room of `room` °C, at a share of the time between.
fn cooling(from: Point, to: Point, room: f64, share: f64) -> Point {
    let at = from.0 + share * (to.0 - from.0);
    let (above, left) = ((from.1 - room).max(1.0), (to.1 - room).max(1.0));
    (at, room + above * (left / above).powf(share))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::foretold;
    use crate::readings::tests::readings;
    use crate::status::tests::{dwelling, idle};

    fn wall(second: i64) -> Wall {
        let start: Wall = "2026-11-25T14:00:00.000Z".parse().unwrap();
        Wall(start.0 + second * 1_000)
    }

    #[test]
    fn what_came_before_is_put_in_front() {
        let mut course = Course::default();
        let station = dwelling("bench-1");
        assert_eq!(course.take(wall(100), &station), Some(7), "it is new");
        assert_eq!(course.take(wall(103), &station), None);
        let mut shown = shapes::RunShown {
            prediction: Some(foretold::tests::prediction()),
            ..crate::run::show::tests::run()
        };
        shown.run.run = 7;
        shown.run.started = wall(0).to_string();
        shown.recipe_text =
            "recipe = \"r\"\n[[stage]]\ntarget_celsius = 75\ndwell_s = 60\n[cooldown]\nsafe_celsius = 40\n"
                .into();
        let rows = vec![("ramp", Some(1), Some(80.0), 1.0, &[20.0, 21.0][..]); 200];
        course.told(&shown, &readings(&["board-top", "board-edge"], &rows));
        let (name, curve) = &course.measured[0];
        assert_eq!(name, "board-top");
        let points: Vec<Point> = curve.points().collect();
        assert_eq!(points.len(), 102, "a hundred seconds before, two since");
        assert_eq!((points[0], points[99].0), ((0.0, 20.0), 99.0));
        assert_eq!((points[100], points[101].0), ((100.0, 79.84), 103.0));
        assert!((course.now_s - 103.0).abs() < 1e-9);
        assert_eq!(course.planned[0], (0.0, 20.0));
        assert_eq!(course.planned[1], (240.0, 75.0), "foretold for the fourth minute");
        assert_eq!(course.planned.last(), Some(&(1920.0, 40.0)));
        assert!(course.planned.windows(2).all(|pair| pair[0].0 <= pair[1].0));
        // Ahead it goes on from what is read now.
        assert_eq!(course.ahead(&station)[..2], [(103.0, 79.84), (240.0, 75.0)]);
    }

    #[test]
    fn a_new_run_begins_anew_and_a_long_one_stays_small_and_keeps_its_extremes() {
        let mut course = Course::default();
        let mut station = dwelling("bench-1");
        for second in 0..5_000 {
            let read = match second {
                1_237 => 141.5,
                3_801 => 11.0,
                _ => 79.84,
            };
            station.channels[0].celsius = Some(read);
            course.take(wall(second), &station);
        }
        let points: Vec<Point> = course.measured[0].1.points().collect();
        assert!(
            (600..=4 * COLUMNS_MAX).contains(&points.len()),
            "{}",
            points.len()
        );
        assert!(points.windows(2).all(|pair| pair[0].0 < pair[1].0));
        for extreme in [(1_237.0, 141.5), (3_801.0, 11.0)] {
            assert!(points.contains(&extreme), "{extreme:?}");
        }
        station.run = Some(8);
        assert_eq!(course.take(wall(5_000), &station), Some(8));
        assert_eq!(course.measured[0].1.points().count(), 1);
    }

    #[test]
    fn an_idle_bench_shows_its_last_minutes() {
        let mut course = Course::default();
        let mut station = idle("bench-3");
        station.channels[0].celsius = Some(22.0);
        for second in 0..2_000 {
            assert_eq!(course.take(wall(second), &station), None);
        }
        let first = course.measured[0].1.points().next().unwrap();
        assert!((first.0 - (1_999.0 - IDLE_S)).abs() < 1.5, "{first:?}");
        assert!(course.ahead(&station).is_empty());
    }
}
