//! One run, moment by moment, as CSV.

use std::io::{self, Write};

use benchward_core::recipe::Recipe;

use crate::run::{Place, Run};

/// Every so many moments one is written: 0.25 s.
const EVERY: usize = 5;

/// Writes a run. Columns: time in seconds, phase, stage from 1, target, reading and true temperature in °C, share of full power.
///
/// # Errors
/// If `out` can't be written to.
pub fn write(run: &Run, recipe: &Recipe, out: &mut dyn Write) -> io::Result<()> {
    writeln!(
        out,
        "time_s,phase,stage,target_celsius,reading_celsius,site_celsius,heat"
    )?;
    for point in run.points.iter().step_by(EVERY) {
        let phase = match point.place {
            Place::Waiting => "waiting",
            Place::Ramp(_) => "ramp",
            Place::Dwell(_) => "dwell",
            Place::Done => "done",
            Place::Tripped => "tripped",
        };
        let stage = point.place.stage();
        let target = stage.and_then(|stage| recipe.stages.get(stage));
        writeln!(
            out,
            "{:.2},{phase},{},{},{},{:.4},{:.3}",
            point.sight.time_s,
            stage.map_or(String::new(), |stage| (stage + 1).to_string()),
            target.map_or(String::new(), |stage| format!("{:.1}", stage.target.degrees())),
            point
                .reading
                .map_or(String::new(), |celsius| format!("{celsius:.4}")),
            point.sight.celsius,
            point.heat
        )?;
    }
    Ok(())
}
