//! What people are told when an interlock has acted: the one list, reviewed as a whole.
//!
//! A trip is told in one sentence for what happened (the interlock's own, with place, value and limit), one for what was done, one
//! for what a person does now (`trip`). Bus, MQTT, journal, screens and reports all carry that text. What somebody at the bench
//! then looks at differs by interlock and not by figure; that is [`InterlockName::message`], which screens and the manual show.
//!
//! A word for each part, so that none is forgotten: an interlock without its entry doesn't compile.

use crate::interlock::{Effect, InterlockName, Trip};

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
}
