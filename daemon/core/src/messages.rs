//! What people are told when an interlock has acted, when something was refused, and when they are warned: the one list of what the
//! decisions say, reviewed as a whole. What can go wrong around them (bus, archive, calibrations) is told in `benchward_api::messages`, which
//! has all of it together.
//!
//! A trip is told in one sentence for what happened (the interlock's own, with place, value and limit), one for what was done, one
//! for what a person does now (`trip`). Bus, MQTT, journal, screens and reports all carry that text. What somebody at the bench
//! then looks at differs by interlock and not by figure; that is [`InterlockName::message`], which screens and the manual show.
//!
//! A sentence with the figures is made where it happens, in one place each: by the interlock, by `Refusal`'s and by `Caution`'s `Display`. What it
//! means, what was done and what a person does differ by kind and not by figure, and are here. A word for each part, so that none is
//! forgotten: a kind without its entry doesn't compile.

use crate::caution::Caution;
use crate::interlock::{Effect, InterlockName, Trip};
use crate::refusal::RefusalKind;

/// An entry of the list.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Message {
    /// What happened; which figures its text gives.
    pub happened: &'static str,
    /// What Benchward did about it.
    pub did: &'static str,
    /// What a person does now.
    pub now: &'static str,
}

impl Effect {
    /// What was done, as a sentence.
    pub const fn did(self) -> &'static str {
        match self {
            Self::HeatOff => "Heat is off.",
            Self::Cut => "Heat is cut.",
        }
    }

    /// What a person does now, up to the command for it.
    const fn then(self) -> &'static str {
        match self {
            Self::HeatOff => "Once the cause is gone, anybody with a role resets",
            Self::Cut => "Let it cool; a safety role resets",
        }
    }
}

/// The whole text of a trip: what happened, where, value and limit, what was done, what to do now.
pub(crate) fn trip(station: &str, interlock: InterlockName, trip: &Trip) -> String {
    let (cause, effect) = (&trip.cause, trip.cause.effect);
    format!(
        "{station} is off (`{interlock}`): {}. {} {} with `benchward trip reset {station}`",
        cause.text,
        effect.did(),
        effect.then()
    )
}

const CUT: &str =
    "Heat is cut: zero, and the second switch is open. The run waits 10 minutes for a person, then it ends.";
const OFF: &str = "Heat is off. The run waits 10 minutes for a person, then it ends.";

impl InterlockName {
    /// Its entry.
    pub const fn message(self) -> Message {
        let (happened, did, now) = match self {
            Self::OverTemperature => (
                "A channel read more than the ceiling that counts. The text names the channel, what it read, the ceiling and who set it",
                CUT,
                "Let the board cool. Look whether the heater still heats, whether the sensor sits where it should, and whether the recipe's \
                 targets leave room below the ceiling",
            ),
            Self::OperatorAbsent => (
                "Nobody confirmed to be at the bench for the limit. The text gives how long, and the limit",
                OFF,
                "Look at the bench and the board. Then reset, and stay: confirm with `benchward present STATION`, the pedal, or the key `p` \
                 of `benchward watch`",
            ),
            Self::SensorFault => (
                "A channel reports that it can't read. The text names the channel, the fault, how many scans and how long, and the limit",
                CUT,
                "`open`: wire, plug or bead is broken. `short`: wires touch. `range`: wrong type, or reversed. `device`: the instrument \
                 itself. Mend it; its readings have to be good before a reset",
            ),
            Self::SensorStale => (
                "A channel has gone silent. The text names the channel, how long, and the limit",
                CUT,
                "Look at the instrument, its cable and its power; `benchward status STATION` shows when it reads again",
            ),
            Self::SensorDetached => (
                "A channel no longer follows the board. The text names the channel, how far off it was, over which time, and the limit",
                CUT,
                "Let it cool, then press the bead: tape, clamp or glue has come off. A board that heats by itself is told by another name",
            ),
            Self::SensorStuck => (
                "A channel's value stood still while the heat made a change certain. The text names the channel, the value, how long, the \
                 limit and why it should have changed",
                CUT,
                "The instrument repeats an old value: switch it off and on, look at its wiring, and compare it with another thermometer",
            ),
            Self::ColdJunction => (
                "The place where a thermocouple's wires end is out of its range, or jumps. The text names the channel, its temperature and \
                 the limits",
                CUT,
                "Look whether the instrument stands in hot air or in a draft, and let it settle; its readings are wrong by as much as that \
                 place is",
            ),
            Self::RiseTooFast => (
                "A channel rose faster than a board may. The text names the channel, the rate, how long, and the limit",
                CUT,
                "Look whether the bead lies on the heater instead of the board, whether the board is much lighter than its recipe thinks, and \
                 whether the heater has run away",
            ),
            Self::NoResponse => (
                "Nearly all the heat there is, and the board didn't follow. The text gives how long, how far it moved, and the limit",
                CUT,
                "Is the heater plugged in and its own cut-out closed? Is a board on the bench, and is the bead on it?",
            ),
            Self::HeatStuckOn => (
                "No heat is commanded, and yet there is heat. The text gives the current or the rise, since when the heat is off, and the limit",
                "Heat is cut, the second switch is open, and the whole lab is told: no run starts anywhere until somebody has seen it.",
                "If it goes on, pull the heater's plug or press its emergency stop. A relay is welded or a triac is shorted: it has to be \
                 replaced by a qualified person before this bench heats again",
            ),
            Self::DriverLost => (
                "A driver ended, broke the protocol, refused a command, or confirmed none in time. The text names the driver or the output and \
                 how",
                "Heat is cut as far as anybody still listens; the driver goes to zero by itself within 1.5 s. It is started again.",
                "See the daemon's log for its last words, and the hardware, its cable and its power; `benchward doctor` looks at every driver",
            ),
            Self::RunTooLong => (
                "The run has heated for longer than its limit. The text gives how long, and the limit",
                OFF,
                "Look why: a weak supply, a board that is much heavier, a lid that is open. Resume it if all is well, or stop it",
            ),
            Self::PermissiveOpen => (
                "An input that has to be closed for heat was open, or couldn't be read. The text names it, how long, and the limit",
                OFF,
                "Close the hood or start the extraction; `benchward status STATION` shows when it reads closed. Then reset",
            ),
            Self::Stop => (
                "Somebody pressed stop. The text says who, and whether for this bench or for the whole lab",
                "Heat is off; for the whole lab it is cut.",
                "Ask them why before you reset",
            ),
            Self::Clock => (
                "The daemon's own loop was late, so that decisions would rest on old readings. The text gives by how much, and the limit",
                "Heat is off on every bench.",
                "The machine is overloaded, was asleep, or the daemon was stopped: find out which before you reset",
            ),
        };
        Message { happened, did, now }
    }
}

/// What was done about most of what is refused.
const NOTHING: &str = "Nothing was changed.";

impl RefusalKind {
    /// Its entry.
    pub const fn message(self) -> Message {
        let (happened, did, now) = match self {
            Self::NotPermitted => (
                "The account that asked has no role that may do this. The text says who, what, and which role it takes",
                "Nothing was changed, and the journal keeps that it was asked for.",
                "ask somebody who has that role, or for a group that `[roles]` in lab.toml names; `benchward doctor` says what you have",
            ),
            Self::NotFromNetwork => (
                "Something was asked for by message that could make the lab hotter",
                NOTHING,
                "do it on the machine itself, with `benchward`",
            ),
            Self::CeilingExceeded => (
                "A stage's target is above the ceiling that counts. The text names stage, target, ceiling and who set it",
                "The run didn't start.",
                "lower the target, or ask a safety role: `benchward limit show STATION`, `benchward limit set`",
            ),
            Self::CeilingOutOfBounds => (
                "A ceiling outside what can be set at all. The text gives both bounds",
                NOTHING,
                "name one within them",
            ),
            Self::LimitOutOfBounds => (
                "A limit outside what can be set at all. The text gives both bounds",
                NOTHING,
                "name one within them",
            ),
            Self::OffsetOutOfBounds => (
                "A sensor is so far off that no calibration may hide it. The text names the channel, the offset and the bound",
                NOTHING,
                "look at type, polarity and place of the sensor, or replace it",
            ),
            Self::Tripped => (
                "An interlock has tripped, so that nothing heats here. The text names it and why",
                NOTHING,
                "see to the cause; then `benchward trip ack STATION` and `benchward trip reset STATION`",
            ),
            Self::LabAlarm => (
                "A bench heats by itself, which concerns everybody. The text says which, and why",
                "The run didn't start.",
                "see to that bench first; `benchward trip list` shows it",
            ),
            Self::CauseStands => (
                "A trip can't be lifted while its cause is there. The text names the interlock and what is still wrong",
                "It stays tripped.",
                "mend what the text says, look with `benchward status STATION`, and reset again",
            ),
            Self::Busy => (
                "The bench is in a run. The text gives its number",
                NOTHING,
                "let it end, or stop it with `benchward run stop STATION`",
            ),
            Self::NotReady => (
                "Something is missing that this needs. The text says what",
                NOTHING,
                "see to it, look with `benchward status STATION`, and ask again",
            ),
            Self::NothingToConfirm => (
                "No run waits for somebody to look at its sensors",
                NOTHING,
                "nothing; `benchward status` shows what waits for somebody",
            ),
            Self::NothingToResume => (
                "There is no tripped run here that can still be resumed. The text says for how long one can",
                NOTHING,
                "start a new one with `benchward run start`",
            ),
        };
        Message { happened, did, now }
    }
}

/// What people are warned of while heat goes on: an interlock that will trip unless somebody sees to it, or something less safe than usual.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Warning {
    /// Of an interlock, before it trips.
    Before(InterlockName),
    /// A ceiling above the configured one.
    CeilingRaised,
    /// A longer absence than configured.
    AbsenceRaised,
    /// A faster rise than built in.
    RiseRaised,
    /// Readings that don't follow the heat.
    Unfollowed,
    /// A permissive that was opened in the cooldown.
    Opened,
}

impl Warning {
    /// All of them. Of the interlocks, those that warn.
    pub const ALL: [Self; 7] = [
        Self::Before(InterlockName::OperatorAbsent),
        Self::Before(InterlockName::SensorDetached),
        Self::CeilingRaised,
        Self::AbsenceRaised,
        Self::RiseRaised,
        Self::Unfollowed,
        Self::Opened,
    ];

    /// Its name in the list; an interlock's own.
    pub const fn text(self) -> &'static str {
        match self {
            Self::Before(interlock) => interlock.text(),
            Self::CeilingRaised => "ceiling-raised",
            Self::AbsenceRaised => "absence-raised",
            Self::RiseRaised => "rise-raised",
            Self::Unfollowed => "readings-not-followed",
            Self::Opened => "permissive-opened",
        }
    }

    /// Its entry; `None` for an interlock that acts without a word before.
    pub const fn message(self) -> Option<Message> {
        const KEPT: &str =
            "Nothing: it stays as it was set, and is kept with each run that goes on under it.";
        let (happened, did, now) = match self {
            Self::Before(InterlockName::OperatorAbsent) => (
                "Nobody has confirmed to be at the bench for four fifths of the limit. The text gives how long, and when the heat goes off",
                "Nothing yet: heat goes on until the limit.",
                "Look at the bench, then confirm with `benchward present STATION`, the pedal, or the key `p` of `benchward watch`",
            ),
            Self::Before(InterlockName::SensorDetached) => (
                "A channel begins to read something else than its board's model foretells. The text names the channel, how far off it is, over \
                 which time, and the limit",
                "Heat is held back while that lasts; beyond the limit it is cut.",
                "Look whether the bead is still taped down, without touching what is hot. On another kind of board than the recipe names, stop the run",
            ),
            Self::Before(_) => return None,
            Self::CeilingRaised => (
                "A safety role has set the ceiling above the configured one. The text gives both, and who counts",
                KEPT,
                "If nobody knows why, ask a safety role to set it back: `benchward limit show STATION`, `benchward limit set`",
            ),
            Self::AbsenceRaised => (
                "A safety role lets the heat go on for longer than configured while nobody confirms to be there. The text gives both times",
                KEPT,
                "Stay at the bench; ask a safety role to set it back: `benchward limit show`, `benchward limit set`",
            ),
            Self::RiseRaised => (
                "A safety role lets boards rise faster than the built-in limit. The text gives both rates",
                KEPT,
                "If no recipe needs it, ask a safety role to set it back: `benchward limit show`, `benchward limit set`",
            ),
            Self::Unfollowed => (
                "The station is configured as one whose readings don't follow its heat. The text names the line in lab.toml",
                "No board model watches its sensors; every other interlock does.",
                "Watch the bench yourself; take the line out of lab.toml if its sensors are on the board after all",
            ),
            Self::Opened => (
                "An input that has to be closed for heat was opened while the board cooled. The text names it",
                "Nothing: there was no heat to take away. It is kept with the run, since the board was in another air.",
                "Nothing, if that was meant; a cooldown that is judged by a window is better left closed",
            ),
        };
        Some(Message { happened, did, now })
    }
}

impl Caution {
    /// Which warning it is; what makes a caution without an entry not compile.
    #[cfg_attr(
        not(test),
        expect(
            dead_code,
            reason = "it is there for the compiler, and for the test that counts entries"
        )
    )]
    const fn warning(&self) -> Warning {
        match self {
            Self::CeilingRaised { .. } => Warning::CeilingRaised,
            Self::AbsenceRaised { .. } => Warning::AbsenceRaised,
            Self::RiseRaised { .. } => Warning::RiseRaised,
            Self::Unfollowed => Warning::Unfollowed,
            Self::Opened { .. } => Warning::Opened,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::interlock::Cause;
    use crate::units::Millis;

    fn tripped(effect: Effect) -> Trip {
        Trip {
            cause: Cause {
                effect,
                text: "channel board-edge read 138.2 °C, limit 130.0 °C (set by the recipe)".into(),
                channel: Some("board-edge".into()),
                value: Some(138.2),
                limit: Some(130.0),
                unit: "Cel",
                scan: Some(7),
            },
            since: Millis::ZERO,
        }
    }

    #[test]
    fn a_trip_says_what_where_how_much_what_was_done_and_what_to_do() {
        assert_eq!(
            trip("bench-2", InterlockName::OverTemperature, &tripped(Effect::Cut)),
            "bench-2 is off (`over-temperature`): channel board-edge read 138.2 °C, limit 130.0 °C (set by the recipe). Heat is cut. \
             Let it cool; a safety role resets with `benchward trip reset bench-2`"
        );
        for interlock in InterlockName::ALL {
            for effect in [Effect::HeatOff, Effect::Cut] {
                let text = trip("bench-2", *interlock, &tripped(effect));
                let parts = [
                    "bench-2 is off",
                    interlock.text(),
                    "138.2",
                    "130.0",
                    effect.did(),
                    "resets with `benchward trip reset bench-2`",
                ];
                for part in parts {
                    assert!(text.contains(part), "{interlock}: no {part:?} in {text}");
                }
            }
        }
    }

    #[test]
    fn every_interlock_has_all_parts() {
        let mut seen = std::collections::BTreeSet::new();
        for interlock in InterlockName::ALL {
            let Message { happened, did, now } = interlock.message();
            assert!(seen.insert((happened, now)), "{interlock}: as another one");
            assert!(
                happened.contains(". The text "),
                "{interlock}: which figures? {happened}"
            );
            assert!(
                did.starts_with("Heat is ") && did.ends_with('.'),
                "{interlock}: {did}"
            );
            assert!(now.len() > 20 && !now.ends_with('.'), "{interlock}: {now}");
            for text in [happened, did, now] {
                assert!(!text.contains("  "), "{interlock}: {text}");
            }
            // What heats in spite of a cut needs hands.
            assert_eq!(
                interlock.alarms_lab(),
                now.contains("plug or press its emergency stop"),
                "{interlock}"
            );
        }
    }

    #[test]
    fn every_refusal_has_all_parts() {
        let mut seen = std::collections::BTreeSet::new();
        for kind in RefusalKind::ALL {
            let Message { happened, did, now } = kind.message();
            let name = kind.name();
            assert!(seen.insert((name, happened)), "{name}: twice");
            assert!(
                happened.len() > 20 && !happened.ends_with('.'),
                "{name}: {happened}"
            );
            assert!(did.ends_with('.') && did.len() > 10, "{name}: {did}");
            assert!(!now.is_empty() && !now.ends_with('.'), "{name}: {now}");
        }
        let happened: std::collections::BTreeSet<_> = seen.iter().map(|(_, happened)| happened).collect();
        // As many as there are kinds of refusals: a new one doesn't compile without a kind, nor a kind without an entry.
        let variants = include_str!("refusal.rs")
            .matches(" { .. } => RefusalKind::")
            .count();
        assert_eq!((seen.len(), happened.len()), (variants, variants));
    }

    #[test]
    fn every_warning_has_all_parts() {
        for warning in Warning::ALL {
            let name = warning.text();
            let Message { happened, did, now } =
                warning.message().unwrap_or_else(|| panic!("{name} has no entry"));
            assert!(
                happened.contains(". The text ") && !happened.ends_with('.'),
                "{name}: {happened}"
            );
            assert!(
                did.ends_with('.') && !now.ends_with('.') && now.len() > 20,
                "{name}: {did} {now}"
            );
        }
        // Those of the interlocks that warn, and no others.
        let warn = InterlockName::ALL
            .iter()
            .filter(|name| Warning::Before(**name).message().is_some());
        let sources = [
            include_str!("interlock/operator_absent.rs"),
            include_str!("interlock/sensor_detached.rs"),
        ];
        assert_eq!(warn.count(), sources.len());
        assert!(sources.iter().all(|source| source.contains("Observation::Warn(")));
        let cautions = [
            Caution::Unfollowed,
            Caution::AbsenceRaised {
                now: Millis(600_000),
                configured: Millis(120_000),
            },
            Caution::RiseRaised {
                now: crate::limits::RISE_MAX,
            },
            Caution::Opened {
                permissive: "hood".into(),
            },
        ];
        for caution in cautions {
            assert!(Warning::ALL.contains(&caution.warning()), "{caution}");
        }
    }
}
