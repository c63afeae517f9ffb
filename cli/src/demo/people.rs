//! Who does what in the demo, and when: three operators and somebody with the role `safety`.
//!
//! Nobody here knows what comes next. They see what `benchward status` shows and act on it, as people do.

use benchward_api::shapes;

/// What a person asks the daemon for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Act {
    Present,
    Acknowledge,
    Reset,
    StopRun,
}

/// Something that a person does.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Deed {
    /// At which bench.
    pub(super) station: &'static str,
    /// What is told of it.
    pub(super) words: Option<&'static str>,
    /// What is asked of the daemon.
    pub(super) act: Option<Act>,
}

/// op2 is away for this long after the heat went off, lab seconds.
const BACK_AFTER_S: f64 = 20.0;
/// Time between two acts of a person, lab seconds.
const PAUSE_S: f64 = 6.0;

/// Everybody.
#[derive(Debug)]
pub(super) struct Cast {
    /// op1 has seen the present warning of absence.
    warned: bool,
    /// op2, who walks away.
    walker: Walker,
    /// safe1, who looks after the sensor.
    mender: Mender,
}

/// Where op2 is.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Walker {
    AtTheBench,
    Away,
    Missed { until_s: f64 },
    Acknowledged { until_s: f64 },
    Resetting { until_s: f64 },
    Stopping { until_s: f64 },
    Done,
}

/// How far safe1 is with bench-3.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Mender {
    Waiting,
    Called { until_s: f64 },
    Trying { until_s: f64 },
    Mending,
    Resetting { until_s: f64 },
    Stopping { until_s: f64 },
    Done,
}

impl Cast {
    pub(super) fn new() -> Self {
        Self {
            warned: false,
            walker: Walker::AtTheBench,
            mender: Mender::Waiting,
        }
    }

    /// What people do now. `now_s`: lab seconds since the runs began.
    pub(super) fn acts(&mut self, now_s: f64, status: &shapes::Status) -> Vec<Deed> {
        let mut deeds = Vec::new();
        for station in &status.stations {
            let deed = match station.station.as_str() {
                "bench-1" => self.op1(station),
                "bench-2" => self.op2(now_s, station),
                "bench-3" => self.safe1(now_s, station),
                _ => None,
            };
            deeds.extend(deed);
        }
        deeds
    }

    /// The daemon did what it was asked for.
    pub(super) fn done(&mut self, station: &str, act: Act) {
        if station == "bench-3"
            && act == Act::Reset
            && let Mender::Trying { until_s } | Mender::Resetting { until_s } = self.mender
        {
            self.mender = Mender::Stopping {
                until_s: until_s + PAUSE_S,
            };
        }
    }

    fn op1(&mut self, station: &shapes::Station) -> Option<Deed> {
        let warning = stands(station, "operator-absent", "warning");
        let fresh = warning && !self.warned;
        self.warned = warning;
        fresh.then(|| deed("bench-1", "op1 is there and confirms presence", Act::Present))
    }

    fn op2(&mut self, now_s: f64, station: &shapes::Station) -> Option<Deed> {
        match self.walker {
            Walker::AtTheBench if now_s >= PAUSE_S => {
                self.walker = Walker::Away;
                Some(Deed {
                    station: "bench-2",
                    words: Some("op2 walks away while the board heats"),
                    act: None,
                })
            }
            Walker::Away if stands(station, "operator-absent", "tripped") => {
                self.walker = Walker::Missed {
                    until_s: now_s + BACK_AFTER_S,
                };
                None
            }
            Walker::Missed { until_s } if now_s >= until_s => {
                self.walker = Walker::Acknowledged {
                    until_s: now_s + PAUSE_S,
                };
                Some(deed(
                    "bench-2",
                    "op2 is back and acknowledges the trip",
                    Act::Acknowledge,
                ))
            }
            Walker::Acknowledged { until_s } if now_s >= until_s => {
                self.walker = Walker::Resetting {
                    until_s: now_s + PAUSE_S,
                };
                Some(deed(
                    "bench-2",
                    "op2 resets it: after \"heat off\" any role may",
                    Act::Reset,
                ))
            }
            Walker::Resetting { until_s } if now_s >= until_s => {
                self.walker = Walker::Stopping {
                    until_s: now_s + PAUSE_S,
                };
                Some(deed(
                    "bench-2",
                    "op2 doesn't resume the run but ends it; the board cools",
                    Act::StopRun,
                ))
            }
            Walker::Stopping { until_s } if now_s >= until_s => {
                self.walker = Walker::Done;
                None
            }
            Walker::AtTheBench
            | Walker::Away
            | Walker::Missed { .. }
            | Walker::Acknowledged { .. }
            | Walker::Resetting { .. }
            | Walker::Stopping { .. }
            | Walker::Done => None,
        }
    }

    fn safe1(&mut self, now_s: f64, station: &shapes::Station) -> Option<Deed> {
        let good = station.channels.iter().all(|channel| channel.quality == "good");
        match self.mender {
            Mender::Waiting if stands(station, "sensor-fault", "tripped") => {
                self.mender = Mender::Called {
                    until_s: now_s + PAUSE_S,
                };
                None
            }
            Mender::Called { until_s } if now_s >= until_s => {
                self.mender = Mender::Trying {
                    until_s: now_s + PAUSE_S,
                };
                Some(deed(
                    "bench-3",
                    "op3 calls safe1, who acknowledges the trip",
                    Act::Acknowledge,
                ))
            }
            Mender::Trying { until_s } if now_s >= until_s => {
                self.mender = Mender::Mending;
                Some(deed(
                    "bench-3",
                    "safe1 tries to reset with the sensor still open",
                    Act::Reset,
                ))
            }
            Mender::Mending if good => {
                self.mender = Mender::Resetting {
                    until_s: now_s + PAUSE_S,
                };
                let words = Some("safe1 has plugged the thermocouple in again; it reads");
                Some(Deed {
                    station: "bench-3",
                    words,
                    act: None,
                })
            }
            Mender::Resetting { until_s } if now_s >= until_s => {
                // Tried again at each look until the daemon agrees that the cause is gone.
                self.mender = Mender::Resetting { until_s: now_s };
                Some(deed(
                    "bench-3",
                    "safe1 resets: after a cut only the role `safety` may",
                    Act::Reset,
                ))
            }
            Mender::Stopping { until_s } if now_s >= until_s => {
                self.mender = Mender::Done;
                Some(deed(
                    "bench-3",
                    "op3 ends the run, to look at the board first; it cools",
                    Act::StopRun,
                ))
            }
            Mender::Waiting
            | Mender::Called { .. }
            | Mender::Trying { .. }
            | Mender::Mending
            | Mender::Resetting { .. }
            | Mender::Stopping { .. }
            | Mender::Done => None,
        }
    }
}

const fn deed(station: &'static str, words: &'static str, act: Act) -> Deed {
    Deed {
        station,
        words: Some(words),
        act: Some(act),
    }
}

/// Whether an interlock of the station stands so.
fn stands(station: &shapes::Station, interlock: &str, standing: &str) -> bool {
    station
        .interlocks
        .iter()
        .any(|one| one.interlock == interlock && one.standing == standing)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::status::tests::{dwelling, lab};

    fn with(name: &str, interlock: &str, standing: &str) -> shapes::Station {
        let mut station = dwelling(name);
        station.interlocks = vec![shapes::Interlock {
            interlock: interlock.into(),
            standing: standing.into(),
            text: String::new(),
        }];
        station
    }

    /// What a bench's person asks for while the clock goes from `from_s` to `to_s` with the station as it is.
    fn asked(cast: &mut Cast, from_s: u32, to_s: u32, station: &shapes::Station) -> Vec<Act> {
        let mut acts = Vec::new();
        for now in from_s..to_s {
            for deed in cast.acts(f64::from(now), &lab(vec![station.clone()])) {
                acts.extend(deed.act);
                if let Some(act) = deed.act {
                    cast.done(deed.station, act);
                }
            }
        }
        acts
    }

    #[test]
    fn op1_confirms_once_for_each_warning() {
        let mut cast = Cast::new();
        let (warned, clear) = (
            with("bench-1", "operator-absent", "warning"),
            with("bench-1", "operator-absent", "clear"),
        );
        assert_eq!(asked(&mut cast, 0, 5, &warned), [Act::Present]);
        assert_eq!(asked(&mut cast, 5, 9, &clear), []);
        assert_eq!(asked(&mut cast, 9, 12, &warned), [Act::Present]);
    }

    #[test]
    fn op2_reacts_to_nothing_while_away() {
        let mut cast = Cast::new();
        assert_eq!(
            asked(&mut cast, 0, 100, &with("bench-2", "operator-absent", "warning")),
            []
        );
        assert_eq!(
            asked(
                &mut cast,
                100,
                200,
                &with("bench-2", "operator-absent", "tripped")
            ),
            [Act::Acknowledge, Act::Reset, Act::StopRun]
        );
    }

    #[test]
    fn safe1_resets_again_once_the_sensor_reads() {
        let mut cast = Cast::new();
        let mut open = with("bench-3", "sensor-fault", "tripped");
        open.channels[1].quality = "open".into();
        let mut acts = Vec::new();
        for now in 0..60 {
            // The daemon refuses: nothing is done.
            acts.extend(
                cast.acts(f64::from(now), &lab(vec![open.clone()]))
                    .iter()
                    .filter_map(|deed| deed.act),
            );
        }
        assert_eq!(acts, [Act::Acknowledge, Act::Reset]);
        assert_eq!(
            asked(
                &mut cast,
                60,
                100,
                &with("bench-3", "sensor-fault", "acknowledged")
            ),
            [Act::Reset, Act::StopRun]
        );
    }
}
