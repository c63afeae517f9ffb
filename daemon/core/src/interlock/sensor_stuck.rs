//! `sensor-stuck`: a channel's raw value has not changed at all, although the heat made a change certain.
//!
//! A value that stands still proves nothing by itself: a converter with steps of 0.25 °C that is read once a second
//! repeats itself for minutes at a steady dwell. So the question is always what the heat did meanwhile. It acts, after
//! [`WITHIN`] without any change and at least [`READINGS_MIN`] equal readings, in five cases:
//!
//! 1. **It was rising.** While the steered temperature is more than [`BELOW_TARGET`] short of the target: the channel
//!    rose by [`ROSE_BEFORE`] in the 20 s before it stopped, on a mean heat of [`HEAT_MIN`] or more, and has had as much
//!    heat since (within 5 % of full power). A board's rise dies down with its time constant of minutes, not from one
//!    reading to the next.
//! 2. **Heat came.** Since the ramp began, [`CAME_WITHIN`] ago or more, the mean heat is at least [`CAME`] of full power
//!    above what it was in the 20 s before. The heaviest board on the slowest plate rises by more than 1 °C in that
//!    time.
//! 3. **Heat went.** There has been none for all of that time, and the value is [`HOT`] or more: a board that hot cools.
//!
//! 4. **The board model expected something else** meanwhile ([`Facts::residual`]), and held the heat back, so that none of the
//!    other cases comes about. [`COARSE_RISING`] for a coarse converter.
//! 5. **Nothing stands still for that long**: a fine converter in a ramp, with [`SOME`] of full power or more, for
//!    [`STANDS`]. What the control makes of a value that stands still may be less heat than before, so that cases 1 and 2
//!    don't come about; noise alone changes a healthy one.
//!
//! For a coarse converter, whose values were never seen closer together than [`FINE`], cases 1 and 3 wait longer:
//! [`COARSE_RISING`], longer than a draft of 30 s that happens to hold a board where it is, and [`COARSE_WENT`], longer
//! than the flat top of a heavy board's coast (0.25 °C of a peak that bends by 0.0025 °C/s² is 28 s wide). With fine
//! steps both are a few seconds wide, and noise alone changes the value.
//!
//! What it doesn't see: a value that sticks in a steady dwell, where heat and temperature both stand still; and one
//! that sticks within the first seconds of its rise, which is `no-response`'s. Figures by simulation of boards from 21
//! to 950 g; common practice has 20 s, no source.
//!
//! Once it has acted, the cause stands until the value changes.

use serde::{Deserialize, Serialize};

use super::{Cause, Effect, Facts, InForce, Observation, Threshold};
use crate::channel::{Channel, Sample};
use crate::units::{CelsiusDelta, Millis};

/// How long a value may stand still against the heat.
const WITHIN: Millis = Millis::from_secs(20);
/// Time before that which the heat and the rise are compared with.
const BEFORE: Millis = Millis::from_secs(20);
/// Equal readings that are needed, however slowly a channel is read.
const READINGS_MIN: u32 = 10;

/// Values closer together than this show a fine converter, °C. Between a step of 1/32 and of 1/16 °C.
const FINE: f64 = 0.05;
/// Case 1 of a coarse converter.
const COARSE_RISING: Millis = Millis::from_secs(40);
/// Case 3 of a coarse converter.
const COARSE_WENT: Millis = Millis::from_secs(60);

/// Case 1: how far the steered temperature is short of its target. Nearer, heat and rise end together.
const BELOW_TARGET: CelsiusDelta = CelsiusDelta::constant(5.0);
/// Case 1: rise in the time before, 0.15 °C/s.
const ROSE_BEFORE: CelsiusDelta = CelsiusDelta::constant(3.0);
/// Case 1: least mean heat before. Less of it may be the coast of a heater that was on, not this heat's doing.
const HEAT_MIN: f64 = 0.3;
/// Case 1: how much less heat there may be since.
const HEAT_SLACK: f64 = 0.05;
/// Case 2: how long the heat has been there.
const CAME_WITHIN: Millis = Millis::from_secs(40);
/// Case 2: how much more than before.
const CAME: f64 = 0.4;
/// Case 5.
const STANDS: Millis = Millis::from_secs(60);
const SOME: f64 = 0.1;
/// Case 3: from where on a board without heat cools by more than a coarse step in a minute, °C.
const HOT: f64 = 60.0;
/// Case 3: what counts as none.
const NONE: f64 = 0.02;

/// One channel's value and for how long it has been that.
#[derive(Debug, Clone, Copy, Serialize, Deserialize)]
struct Still {
    /// Scans of the channel up to the last look.
    scans: u64,
    value: f64,
    /// When the value was first read, when last, and how often.
    since: Millis,
    until: Millis,
    readings: u32,
    /// Smallest change ever seen.
    #[serde(with = "crate::excerpt::any_float")]
    finest: f64,
    /// Rise and mean heat of the time before it stood still, once it has for [`WITHIN`]: what is read slowly takes longer to be judged
    /// than the trend goes back.
    before: Option<(f64, f64)>,
    /// The board model expected something else meanwhile, and by how much.
    doubted: Option<CelsiusDelta>,
    /// It has acted on this value.
    acted: bool,
}

/// Remembers each channel's value, in the station's order, and when the present ramp began.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
pub(super) struct SensorStuck {
    still: Vec<Option<Still>>,
    /// The target and the start of heat that the ramp belongs to, and when it began.
    ramp: Option<(f64, Millis, Millis)>,
}

impl SensorStuck {
    pub(super) fn observe(&mut self, facts: &Facts<'_>) -> Observation {
        self.still.resize(facts.channels.len(), None);
        self.ramp = facts
            .heating
            .zip(facts.target)
            .map(|(heating, target)| match self.ramp {
                Some(same) if same.0.total_cmp(&target.degrees()).is_eq() && same.1 == heating.since => same,
                Some(_) | None => (target.degrees(), heating.since, facts.now),
            });
        let ramp_since = self.ramp.map(|(_, _, since)| since);
        let mut worst = Observation::Good;
        for (channel, still) in facts.channels.iter().zip(&mut self.still) {
            look(channel, still);
            let Some(still) = still else { continue };
            let Some((limit, why)) = why(facts, channel, still, ramp_since) else {
                continue;
            };
            still.acted = true;
            let lasted = still.until.since(still.since);
            worst = Observation::Bad(Cause {
                channel: Some(channel.name.clone()),
                scan: Some(channel.scans),
                ..Cause::lasted(
                    Effect::Cut,
                    format!(
                        "channel {} has read {:.2} °C for {lasted} without any change, limit {limit}; {why}",
                        channel.name, still.value
                    ),
                    lasted,
                    limit,
                )
            });
            break;
        }
        worst
    }
}

/// Takes in the channel's newest reading.
fn look(channel: &Channel, still: &mut Option<Still>) {
    let Some((at, sample)) = channel.newest else {
        // Its driver is new or gone.
        *still = None;
        return;
    };
    let Sample::Good(celsius) = sample else { return };
    let value = celsius.degrees();
    match still {
        Some(seen) if seen.scans == channel.scans => {}
        Some(seen) if seen.value.total_cmp(&value).is_eq() => {
            seen.scans = channel.scans;
            seen.until = at;
            seen.readings = seen.readings.saturating_add(1);
        }
        Some(_) | None => {
            let finest = still.map_or(f64::INFINITY, |seen| seen.finest.min((seen.value - value).abs()));
            *still = Some(Still {
                scans: channel.scans,
                value,
                since: at,
                until: at,
                readings: 1,
                finest,
                before: None,
                doubted: None,
                acted: false,
            });
        }
    }
}

/// Why the value should have changed, if it should.
fn why(facts: &Facts<'_>, channel: &Channel, still: &mut Still, ramp_since: Option<Millis>) -> Option<(Millis, String)> {
    if still.acted {
        return Some((WITHIN, "it acted on this and the value is still the same".into()));
    }
    let lasted = still.until.since(still.since);
    if let Some(residual) = facts.residual.as_ref().filter(|residual| residual.channel == channel.name) {
        still.doubted = Some(residual.off);
    }
    if lasted < WITHIN {
        return None;
    }
    if still.before.is_none() {
        let rose = channel
            .trend
            .change(lasted + BEFORE, lasted, channel.period)
            .map_or(0.0, CelsiusDelta::degrees);
        let heat = facts
            .heat
            .mean(Millis(still.since.0.saturating_sub(BEFORE.0)), still.since)
            .unwrap_or(0.0);
        still.before = Some((rose, heat));
    }
    if still.readings < READINGS_MIN {
        return None;
    }
    let coarse = still.finest > FINE;
    let (rose, heat_before) = still.before?;
    let ramp_since = ramp_since?;
    let rising = if coarse { COARSE_RISING } else { WITHIN };
    if let Some(off) = still.doubted.filter(|_| lasted >= rising) {
        return Some((rising, format!("the board model expected something else, it was {off} off")));
    }
    let below = facts
        .control
        .zip(facts.target)
        .is_some_and(|(control, target)| target - control > BELOW_TARGET);

    if below && still.since > ramp_since && lasted >= rising {
        let heat = facts.heat.mean(still.since, facts.now)?;
        if rose >= ROSE_BEFORE.degrees() && heat_before >= HEAT_MIN && heat >= heat_before - HEAT_SLACK {
            let text = format!(
                "it rose {rose:.1} °C in the {BEFORE} before on {:.0} % of full power and has {:.0} % since",
                heat_before * 100.0,
                heat * 100.0
            );
            return Some((rising, text));
        }
    }
    if below && !coarse && lasted >= STANDS && still.since > ramp_since {
        let heat = facts
            .heat
            .mean(Millis(facts.now.0.saturating_sub(STANDS.0)), facts.now)?;
        if heat >= SOME {
            let text = format!("no board does that with {:.0} % of full power", heat * 100.0);
            return Some((STANDS, text));
        }
    }
    let heated = facts.now.since(ramp_since);
    if below && still.since <= ramp_since && heated >= CAME_WITHIN {
        let from = Millis(ramp_since.0.saturating_sub(BEFORE.0));
        let (before, since) = (
            facts.heat.mean(from, ramp_since).unwrap_or(0.0),
            facts.heat.mean(ramp_since, facts.now)?,
        );
        if since >= before + CAME {
            let text = format!(
                "the heat went from {:.0} % to {:.0} % of full power {heated} ago",
                before * 100.0,
                since * 100.0
            );
            return Some((CAME_WITHIN, text));
        }
    }
    let went = if coarse { COARSE_WENT } else { WITHIN };
    if lasted >= went && still.value >= HOT {
        let since = facts.heat.mean(Millis(facts.now.0.saturating_sub(went.0)), facts.now)?;
        if since <= NONE {
            return Some((went, format!("there has been no heat for {went}")));
        }
    }
    None
}

/// The figures that it acts at.
pub(super) fn thresholds(_: &InForce) -> Vec<Threshold> {
    vec![
        Threshold::time("unchanged for", WITHIN),
        Threshold::time("in a ramp, whatever the heat", STANDS),
        Threshold::time("coarse, rising", COARSE_RISING),
        Threshold::time("coarse, heat changed", COARSE_WENT),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::interlock::bench::Bench;
    use crate::interlock::{Residual, Verdict};
    use crate::units::Celsius;

    /// A step that only a fine converter has, °C.
    const STEP: f64 = 1.0 / 32.0;

    /// For how many ms a value had stood still when it acted; the channel reads `celsius(scan)` each `period` ms with
    /// `heat(scan)`, and stands still from scan `from` on.
    fn acts(period: u64, from: u32, celsius: impl Fn(u32) -> f64, heat: impl Fn(u32) -> f64) -> Option<u64> {
        acts_towards(|_| 200.0, period, from, celsius, heat)
    }

    /// The same with a target of its own at each scan.
    fn acts_towards(
        target: impl Fn(u32) -> f64,
        period: u64,
        from: u32,
        celsius: impl Fn(u32) -> f64,
        heat: impl Fn(u32) -> f64,
    ) -> Option<u64> {
        let (mut bench, mut interlock) = (Bench::new(1), SensorStuck::default());
        bench.channels[0].period = Millis(period);
        (0..200_u32)
            .find(|scan| {
                bench.read(Millis(period) * u64::from(*scan), &[celsius((*scan).min(from))]);
                bench.heat(heat(*scan));
                let looks = || {
                    let mut facts = bench.facts();
                    facts.target = Some(Celsius::new(target(*scan)).unwrap());
                    facts
                };
                // The station looks more often than a channel is read.
                interlock.observe(&looks());
                matches!(interlock.observe(&looks()), Observation::Bad(_))
            })
            .map(|scan| period * u64::from(scan - from))
    }

    /// A board without heat that reads `celsius` from the first scan on, after a step of `step`.
    fn cools(period: u64, celsius: f64, step: f64) -> Option<u64> {
        acts(period, 1, |scan| if scan == 0 { celsius + step } else { celsius }, |_| 0.0)
    }

    #[test]
    fn a_hot_board_without_heat_does_not_stand_still() {
        assert_eq!(cools(1000, 60.0, STEP), Some(20_000));
        assert_eq!(cools(1000, 60.0, 0.25), Some(60_000), "a coarse converter");
        assert_eq!(cools(1000, 59.0, STEP), None, "not hot");
    }

    /// Nine readings in 20 s are too few, however often it looks at them.
    #[test]
    fn it_takes_ten_readings() {
        assert_eq!(cools(2_500, 60.0, STEP), Some(22_500));
    }

    /// A board that rose by `rise` in the 20 s before it stopped at 24 s, on that heat, and has `then` since.
    fn rose(rise: f64, heat: f64, then: f64) -> Option<u64> {
        let celsius = |scan: u32| match scan {
            0..=4 => 50.0,
            24.. => 50.0 + rise,
            _ => 50.0 + rise - STEP,
        };
        acts(1000, 24, celsius, |scan| if scan < 24 { heat } else { then })
    }

    #[test]
    fn a_board_that_was_rising_does_not_stand_still() {
        assert_eq!(rose(3.0, 0.3, 0.3), Some(20_000));
        assert_eq!(rose(3.0, 0.5, 0.46), Some(20_000), "nearly as much heat as before");
        // Otherwise a fine converter has a minute.
        assert_eq!(rose(2.75, 0.3, 0.3), Some(60_000));
        assert_eq!(rose(3.0, 0.25, 0.25), Some(60_000));
        assert_eq!(rose(3.0, 0.5, 0.4), Some(60_000));
        assert_eq!(rose(3.0, 0.5, 0.05), None, "hardly any heat");
    }

    /// It stopped as the next ramp began: what tells is whether heat came with that.
    #[test]
    fn a_rise_before_the_ramp_says_nothing_about_it() {
        let celsius = |scan: u32| match scan {
            0..=4 => 50.0,
            24.. => 53.0,
            _ => 53.0 - STEP,
        };
        let towards = |scan: u32| if scan < 24 { 190.0 } else { 200.0 };
        assert_eq!(acts_towards(towards, 1000, 24, celsius, |_| 0.3), None);
        let more = |scan: u32| if scan < 24 { 0.3 } else { 0.75 };
        assert_eq!(acts_towards(towards, 1000, 24, celsius, more), Some(40_000));
    }

    /// The finest step of a coarse converter is above 0.05 °C; a fine one changes within a minute of any heat.
    #[test]
    fn noise_alone_changes_the_value_of_a_fine_converter() {
        let stands = |step: f64| acts(1000, 1, |scan| if scan == 0 { step } else { 0.0 }, |_| 0.1);
        assert_eq!(stands(FINE), Some(60_000));
        assert_eq!(stands(0.0625), None);
    }

    /// A board that stands still from before the ramp; the heat comes at its begin.
    #[test]
    fn a_board_does_not_stand_still_when_the_heat_comes() {
        let came = |heat| acts(1000, 0, |_| 50.0, |_| heat);
        assert_eq!(came(0.4), Some(40_000));
        assert_eq!(came(0.35), None);
    }

    /// Near the target, 200 °C, heat and rise end together.
    #[test]
    fn near_the_target_a_board_may_stand_still() {
        let near = |celsius: f64| acts(1000, 0, |_| celsius, |_| 1.0);
        assert_eq!(near(195.0), None);
        assert_eq!(near(194.75), Some(40_000));
    }

    /// After 100 s at 98 °C on a little heat comes a target of 200 °C, or a new start of heat, and with it more heat.
    #[test]
    fn a_new_target_and_a_new_start_begin_a_ramp() {
        for (target, since) in [(200.0, 0), (100.0, 100), (200.0, 100)] {
            let (mut bench, mut interlock) = (Bench::new(1), SensorStuck::default());
            let acted = (0..200).find(|second| {
                let later = *second >= 100;
                bench.read(Millis::from_secs(*second), &[if target > 150.0 { 98.0 } else { 50.0 }]);
                bench.heat(if later { 0.6 } else { 0.1 });
                let mut facts = bench.facts();
                facts.target = Some(Celsius::new(if later { target } else { 100.0 }).unwrap());
                let heating = facts.heating.as_mut().unwrap();
                heating.since = Millis::from_secs(if later { since } else { 0 });
                matches!(interlock.observe(&facts), Observation::Bad(_))
            });
            assert_eq!(acted, Some(140), "{target} °C, {since} s");
        }
    }

    /// A model that holds the heat back leaves none of the other cases.
    #[test]
    fn what_the_board_model_doubted_does_not_stand_still() {
        let doubts = |channel: &str| {
            let (mut bench, mut interlock) = (Bench::new(1), SensorStuck::default());
            (0..200).find(|second| {
                bench.read(Millis::from_secs(*second), &[if *second == 0 { 50.0 } else { 50.0 + STEP }]);
                let mut facts = bench.facts();
                facts.residual = Some(Residual {
                    channel: channel.into(),
                    off: CelsiusDelta::constant(-3.0),
                    limit: CelsiusDelta::constant(-1.5),
                    horizon: Millis::from_secs(8),
                    verdict: Verdict::Doubt,
                });
                matches!(interlock.observe(&facts), Observation::Bad(_))
            })
        };
        assert_eq!(doubts("board-top"), Some(21));
        assert_eq!(doubts("board-edge"), None);
    }
}
