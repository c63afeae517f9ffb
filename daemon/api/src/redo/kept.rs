//! What the archive keeps of the core's actions: the one place where the words of the one become the words of the other.

use benchward_archive as archive;
use benchward_core::interlock::Effect;
use benchward_core::units::Celsius;
use benchward_core::{Entry, Fault, Phase, Row, Sample};

/// Why a channel has no number.
const fn fault(fault: Fault) -> archive::FaultKind {
    match fault {
        Fault::Open => archive::FaultKind::Open,
        Fault::Short => archive::FaultKind::Short,
        Fault::Range => archive::FaultKind::Range,
        Fault::ColdJunction => archive::FaultKind::ColdJunction,
        Fault::Device => archive::FaultKind::Device,
    }
}

/// Where a run is.
pub const fn phase(phase: Phase) -> archive::Phase {
    match phase {
        Phase::Idle => archive::Phase::Idle,
        Phase::Ramp => archive::Phase::Ramp,
        Phase::Dwell => archive::Phase::Dwell,
        Phase::Cooldown => archive::Phase::Cooldown,
        Phase::Cool => archive::Phase::Cool,
    }
}

/// What a channel said.
fn value(sample: Option<Sample>) -> archive::Value {
    match sample {
        Some(Sample::Good(celsius)) => archive::Value::Celsius(celsius.degrees()),
        Some(Sample::Fault(kind)) => archive::Value::Fault(fault(kind)),
        None => archive::Value::Absent,
    }
}

/// The values of a row, in the station's order.
pub fn values(row: &Row) -> Vec<archive::Value> {
    row.values.iter().copied().map(value).collect()
}

/// What a journal entry holds beside its words; `None`: nothing.
pub fn data(entry: &Entry) -> Option<serde_json::Value> {
    let figures = entry.value.is_some() || entry.channel.is_some() || entry.scan.is_some();
    if !figures && entry.about.is_none() {
        return None;
    }
    let mut data = serde_json::json!({
        "value": entry.value,
        "limit": entry.limit,
        "unit": entry.unit,
        "channel": entry.channel.as_deref(),
        "scan": entry.scan,
    });
    // What a list of trips and warnings is made of.
    if let Some(about) = entry.about {
        data["interlock"] = about.interlock.text().into();
        data["standing"] = about.standing.into();
        data["effect"] = about.effect.map(Effect::text).into();
    }
    Some(data)
}

/// What a channel said, as the core takes it; `None`: it was not in the scan.
pub(super) fn sample(value: archive::Value) -> Option<Sample> {
    Some(match value {
        archive::Value::Celsius(celsius) => {
            Celsius::new(celsius).map_or(Sample::Fault(Fault::Device), Sample::Good)
        }
        archive::Value::Fault(kind) => Sample::Fault(match kind {
            archive::FaultKind::Open => Fault::Open,
            archive::FaultKind::Short => Fault::Short,
            archive::FaultKind::Range => Fault::Range,
            archive::FaultKind::ColdJunction => Fault::ColdJunction,
            archive::FaultKind::Device => Fault::Device,
        }),
        archive::Value::Stale | archive::Value::Absent => return None,
    })
}
