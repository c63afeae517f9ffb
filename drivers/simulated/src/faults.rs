//! What can go wrong on a simulated bench, on schedule or on command.
//!
//! In the settings, `faults` is a list; on the control socket each line is one of them, as JSON:
//!
//! ```toml
//! faults = [
//!   { at_s = 40, kind = "peel", input = "tc1", over_s = 8 },   # 40 s after the driver's start
//!   { after_heat_s = 60, kind = "gust", for_s = 30 },          # 60 s after the first heat, for 30 s
//! ]
//! ```
//!
//! Times are the lab's. Without `for_s` a fault stays. On command a fault without `at_s` and `after_heat_s` begins at once.

use benchward_driver::wire;
use serde::Deserialize;

use crate::bench::Node;

/// One thing that goes wrong, once.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Fault {
    /// What.
    pub kind: Kind,
    /// Begins this long after the driver's start.
    #[serde(default)]
    pub at_s: Option<f64>,
    /// Begins this long after heat was above zero for the first time.
    #[serde(default)]
    pub after_heat_s: Option<f64>,
    /// Ends by itself after this.
    #[serde(default)]
    pub for_s: Option<f64>,
    /// The sensor concerned.
    #[serde(default)]
    pub input: Option<String>,
    /// How long a peeling tape takes to come off.
    #[serde(default)]
    pub over_s: Option<f64>,
    /// What share of its contact a lifted bead loses, 0 to 1; all of it by default.
    #[serde(default)]
    pub lost: Option<f64>,
    /// Where the wires of a bridged sensor touch; in the air of the room by default.
    #[serde(default)]
    pub place: Option<Node>,
    /// What a gust multiplies convection by, 0.2 to 10; 2 by default.
    #[serde(default)]
    pub factor: Option<f64>,
    /// How much colder the air of a gust is, 0 to 40 °C; as warm as the room by default.
    #[serde(default)]
    pub colder_celsius: Option<f64>,
    /// What a lamp brings, 0 to 0.2 W/cm²; 0.03 by default. The sun at noon brings 0.1.
    #[serde(default)]
    pub w_per_square_cm: Option<f64>,
}

/// What can go wrong, and what somebody at the bench can do.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// The tape comes off over some seconds; the bead ends in the air above the board.
    Peel,
    /// The bead is off the board at once, or loses part of its contact.
    Lifted,
    /// Its wires touch before the bead: it reads what is there.
    Bridged,
    /// Its wires are swapped: it reads as far below the room as it should above.
    Reversed,
    /// The first two sensors are plugged into each other's sockets.
    Exchanged,
    /// The sensor is broken.
    Open,
    /// The sensor is shorted.
    Short,
    /// The converter says that the value is out of its range.
    Range,
    /// The converter can't measure its cold junction.
    ColdJunction,
    /// The converter doesn't answer.
    Device,
    /// The sensor's value no longer changes.
    Stuck,
    /// The controller conducts whatever it is told; only the contactor helps.
    HeaterStuckOn,
    /// The heater draws nothing.
    HeaterDead,
    /// Half of the heater's elements are gone.
    HeaterHalf,
    /// A door is open: more convection, and colder air.
    Gust,
    /// A work lamp, or the sun through a window, shines on the board from above.
    Lamp,
    /// The mains are 15 % low.
    Sag,
    /// No scans.
    Silence,
    /// The driver reads and writes nothing any more; its permits lapse.
    Hang,
    /// The process aborts.
    Crash,
    /// The driver gives up with `failed`.
    Failed,
    /// Lines that aren't messages, instead of scans.
    Garbage,
    /// Somebody presses the pedal, for half a second unless `for_s` says otherwise.
    Pedal,
    /// Somebody opens the hood.
    HoodOpen,
    /// Somebody shuts the hood.
    HoodShut,
    /// Ends everything that was wrong.
    Clear,
}

impl Kind {
    /// Whether it concerns one sensor.
    pub fn needs_input(self) -> bool {
        matches!(
            self,
            Kind::Peel
                | Kind::Lifted
                | Kind::Bridged
                | Kind::Reversed
                | Kind::Open
                | Kind::Short
                | Kind::Range
                | Kind::ColdJunction
                | Kind::Device
                | Kind::Stuck
        )
    }

    /// The fault that the sensor's input reports, if it reports one.
    pub fn reported(self) -> Option<wire::Fault> {
        match self {
            Kind::Open => Some(wire::Fault::Open),
            Kind::Short => Some(wire::Fault::Short),
            Kind::Range => Some(wire::Fault::Range),
            Kind::ColdJunction => Some(wire::Fault::ColdJunction),
            Kind::Device => Some(wire::Fault::Device),
            _ => None,
        }
    }
}

/// How long the tape takes to come off unless `over_s` says.
pub const PEEL_S: f64 = 5.0;

/// How long a pedal is pressed unless `for_s` says.
pub const PEDAL_S: f64 = 0.5;

impl Fault {
    /// A fault that begins at once and stays.
    pub fn now(kind: Kind) -> Self {
        Fault {
            kind,
            at_s: None,
            after_heat_s: None,
            for_s: None,
            input: None,
            over_s: None,
            lost: None,
            place: None,
            factor: None,
            colder_celsius: None,
            w_per_square_cm: None,
        }
    }

    /// The same for one sensor.
    pub fn of(kind: Kind, input: &str) -> Self {
        Fault {
            input: Some(input.to_owned()),
            ..Fault::now(kind)
        }
    }

    /// Checks times and the input against the inputs that there are.
    ///
    /// # Errors
    /// What is wrong and what would be right.
    pub fn check(&self, inputs: &[String]) -> Result<(), String> {
        let times = [
            ("at_s", self.at_s),
            ("after_heat_s", self.after_heat_s),
            ("for_s", self.for_s),
            ("over_s", self.over_s),
        ];
        for (key, value) in times {
            if let Some(value) = value
                && !(0.0..=1e7).contains(&value)
            {
                return Err(format!("{key} = {value} is outside 0 to 1e7 s"));
            }
        }
        if self.at_s.is_some() && self.after_heat_s.is_some() {
            return Err("at_s and after_heat_s exclude each other".into());
        }
        for (key, given, kind, name) in [
            ("over_s", self.over_s.is_some(), Kind::Peel, "peel"),
            ("lost", self.lost.is_some(), Kind::Lifted, "lifted"),
            ("place", self.place.is_some(), Kind::Bridged, "bridged"),
            ("factor", self.factor.is_some(), Kind::Gust, "gust"),
            (
                "colder_celsius",
                self.colder_celsius.is_some(),
                Kind::Gust,
                "gust",
            ),
            (
                "w_per_square_cm",
                self.w_per_square_cm.is_some(),
                Kind::Lamp,
                "lamp",
            ),
        ] {
            if given && self.kind != kind {
                return Err(format!("{key} goes with kind = \"{name}\" only"));
            }
        }
        for (key, value, low, high) in [
            ("lost", self.lost, 0.0, 1.0),
            ("factor", self.factor, 0.2, 10.0),
            ("colder_celsius", self.colder_celsius, 0.0, 40.0),
            ("w_per_square_cm", self.w_per_square_cm, 0.0, 0.2),
        ] {
            if let Some(value) = value
                && !(low..=high).contains(&value)
            {
                return Err(format!("{key} = {value} is outside {low} to {high}"));
            }
        }
        if self.kind == Kind::Exchanged && inputs.len() < 2 {
            return Err("it takes two sensors to exchange them; set channels to 2 or more".into());
        }
        match (&self.input, self.kind.needs_input()) {
            (None, true) => Err(format!("an input is missing, one of: {}", inputs.join(", "))),
            (Some(_), false) => Err("this kind takes no input".into()),
            (Some(input), true) if !inputs.contains(input) => Err(format!(
                "there is no input `{input}`, only: {}",
                inputs.join(", ")
            )),
            _ => Ok(()),
        }
    }
}

/// Which faults are running, and which are still to come. Time is a parameter: seconds of the lab since the start.
#[derive(Debug, Clone, Default)]
pub struct Schedule {
    waiting: Vec<Fault>,
    running: Vec<Running>,
    heated_at_s: Option<f64>,
}

#[derive(Debug, Clone)]
struct Running {
    fault: Fault,
    since_s: f64,
}

impl Schedule {
    /// Those of the settings.
    pub fn new(faults: Vec<Fault>) -> Self {
        Schedule {
            waiting: faults,
            ..Schedule::default()
        }
    }

    /// One more, on command.
    pub fn add(&mut self, fault: Fault) {
        self.waiting.push(fault);
    }

    /// Heat is above zero.
    pub fn heated(&mut self, now_s: f64) {
        self.heated_at_s.get_or_insert(now_s);
    }

    /// Begins and ends what is due.
    pub fn advance(&mut self, now_s: f64) {
        let heated_at = self.heated_at_s;
        let begins = |fault: &Fault| match (fault.at_s, fault.after_heat_s) {
            (Some(at), _) => Some(at),
            (None, Some(after)) => heated_at.map(|h| h + after),
            (None, None) => Some(now_s),
        };
        let (mut due, waiting): (Vec<_>, Vec<_>) = std::mem::take(&mut self.waiting)
            .into_iter()
            .map(|fault| (begins(&fault), fault))
            .partition(|(begins, _)| begins.is_some_and(|at| at <= now_s));
        self.waiting = waiting.into_iter().map(|(_, fault)| fault).collect();
        due.sort_by(|(a, _), (b, _)| a.unwrap_or(now_s).total_cmp(&b.unwrap_or(now_s)));
        for (at, fault) in due {
            match fault.kind {
                Kind::Clear => self.running.clear(),
                // The hood is a state: the newest of the two counts.
                Kind::HoodOpen | Kind::HoodShut => {
                    self.running
                        .retain(|r| !matches!(r.fault.kind, Kind::HoodOpen | Kind::HoodShut));
                    self.running.push(Running {
                        since_s: at.unwrap_or(now_s),
                        fault,
                    });
                }
                _ => self.running.push(Running {
                    since_s: at.unwrap_or(now_s),
                    fault,
                }),
            }
        }
        self.running.retain(|r| {
            let lasts = match r.fault.kind {
                Kind::Pedal => Some(r.fault.for_s.unwrap_or(PEDAL_S)),
                _ => r.fault.for_s,
            };
            lasts.is_none_or(|lasts| now_s < r.since_s + lasts)
        });
    }

    /// Whether something of this kind is running.
    pub fn is(&self, kind: Kind) -> bool {
        self.running(kind).is_some()
    }

    /// The newest of this kind that is running.
    pub fn running(&self, kind: Kind) -> Option<&Fault> {
        self.running
            .iter()
            .rev()
            .map(|running| &running.fault)
            .find(|fault| fault.kind == kind)
    }

    /// What is wrong with one sensor: kind and since when, oldest first.
    pub fn of_input<'s>(&'s self, input: &'s str) -> impl Iterator<Item = (&'s Fault, f64)> + 's {
        self.running
            .iter()
            .filter(move |r| r.fault.input.as_deref() == Some(input))
            .map(|r| (&r.fault, r.since_s))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parse(text: &str) -> Fault {
        serde_json::from_str(text).unwrap()
    }

    #[test]
    fn faults_begin_and_end_when_they_are_due() {
        let mut schedule = Schedule::new(vec![
            parse(r#"{"at_s":40,"kind":"peel","input":"tc1","over_s":8}"#),
            parse(r#"{"after_heat_s":10,"kind":"gust","for_s":30}"#),
            parse(r#"{"at_s":5,"kind":"pedal"}"#),
        ]);
        let mut seen = Vec::new();
        for tenth in 0..1_000 {
            let now = f64::from(tenth) / 10.0;
            if tenth == 200 {
                schedule.heated(now);
            }
            schedule.advance(now);
            let state = (
                schedule.is(Kind::Peel),
                schedule.is(Kind::Gust),
                schedule.is(Kind::Pedal),
            );
            if seen.last().is_none_or(|(_, s)| *s != state) {
                seen.push((now, state));
            }
        }
        assert_eq!(
            seen,
            [
                (0.0, (false, false, false)),
                (5.0, (false, false, true)),
                (5.5, (false, false, false)),
                (30.0, (false, true, false)),
                (40.0, (true, true, false)),
                (60.0, (true, false, false)),
            ]
        );
    }

    #[test]
    fn a_command_acts_at_once_and_clear_ends_everything() {
        let mut schedule = Schedule::default();
        schedule.add(Fault::now(Kind::HeaterDead));
        schedule.add(Fault::of(Kind::Open, "tc2"));
        schedule.advance(3.0);
        assert!(schedule.is(Kind::HeaterDead));
        assert_eq!(schedule.of_input("tc2").count(), 1);
        assert_eq!(schedule.of_input("tc1").count(), 0);
        schedule.add(Fault::now(Kind::Clear));
        schedule.advance(4.0);
        assert!(!schedule.is(Kind::HeaterDead));
        assert_eq!(schedule.of_input("tc2").count(), 0);
    }

    #[test]
    fn the_hood_is_as_somebody_left_it_last() {
        let mut schedule = Schedule::default();
        for (now, kind) in [
            (1.0, Kind::HoodOpen),
            (2.0, Kind::HoodShut),
            (3.0, Kind::HoodOpen),
        ] {
            schedule.add(Fault::now(kind));
            schedule.advance(now);
            assert_eq!(schedule.is(Kind::HoodOpen), kind == Kind::HoodOpen);
        }
    }

    #[test]
    fn a_fault_that_makes_no_sense_is_told() {
        let inputs = vec!["tc1".to_owned(), "tc2".to_owned()];
        for (text, part) in [
            (r#"{"kind":"open"}"#, "an input is missing, one of: tc1, tc2"),
            (
                r#"{"kind":"open","input":"tc9"}"#,
                "no input `tc9`, only: tc1, tc2",
            ),
            (r#"{"kind":"hang","input":"tc1"}"#, "takes no input"),
            (r#"{"kind":"open","input":"tc1","over_s":3}"#, "over_s goes with"),
            (
                r#"{"kind":"hang","at_s":1,"after_heat_s":2}"#,
                "exclude each other",
            ),
            (r#"{"kind":"hang","at_s":-1}"#, "at_s = -1 is outside"),
            (
                r#"{"kind":"lifted","input":"tc1","lost":1.5}"#,
                "lost = 1.5 is outside 0 to 1",
            ),
            (
                r#"{"kind":"gust","factor":11}"#,
                "factor = 11 is outside 0.2 to 10",
            ),
            (
                r#"{"kind":"sag","colder_celsius":3}"#,
                "colder_celsius goes with kind = \"gust\" only",
            ),
            (
                r#"{"kind":"lamp","w_per_square_cm":1}"#,
                "w_per_square_cm = 1 is outside 0 to 0.2",
            ),
            (
                r#"{"kind":"stuck","input":"tc1","place":"body"}"#,
                "place goes with",
            ),
        ] {
            let error = parse(text).check(&inputs).unwrap_err();
            assert!(error.contains(part), "{error:?} doesn't say {part:?}");
        }
        assert!(serde_json::from_str::<Fault>(r#"{"kind":"melt"}"#).is_err());
        assert!(serde_json::from_str::<Fault>(r#"{"kind":"hang","when":3}"#).is_err());
    }

    #[test]
    fn one_sensor_can_not_be_exchanged() {
        let exchanged = parse(r#"{"kind":"exchanged"}"#);
        assert!(
            exchanged
                .check(&["tc1".to_owned()])
                .unwrap_err()
                .contains("two sensors")
        );
        assert_eq!(exchanged.check(&["tc1".to_owned(), "tc2".to_owned()]), Ok(()));
    }
}
