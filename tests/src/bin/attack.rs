//! Causes what the interlocks are there for, with real processes, and prints how long the heat stayed on.

use std::process::ExitCode;

use benchward_tests::attack::{ATTACKS, Attack};
use clap::Parser;

/// Attacks a lab in every way that it has an answer to, and prints the time from the cause to zero heat
///
/// Times are the lab's, taken at the driver's end with `CLOCK_MONOTONIC`; where the attack is on the driver's process, in the
/// journal. Exits with 1 where one is above its bound, or something
/// else doesn't hold.
#[derive(Debug, Parser)]
#[command(
    name = "tests/attack",
    after_help = "Example: tests/attack --times 3 --only daemon"
)]
struct Options {
    /// How often each
    #[arg(long, value_name = "N", default_value_t = 20, value_parser = clap::value_parser!(u32).range(1..))]
    times: u32,
    /// Only those whose cause has this text in it
    #[arg(long, value_name = "TEXT", default_value = "")]
    only: String,
}

fn main() -> ExitCode {
    let options = Options::parse();
    let mut late = 0;
    println!(
        "{:<62} {:>9} {:>9} {:>9}   ms",
        "cause", "bound", "median", "worst"
    );
    for attack in ATTACKS
        .iter()
        .filter(|attack| attack.cause.contains(&options.only))
    {
        late += u32::from(!in_time(attack, options.times));
    }
    if late > 0 {
        println!("{late} above the bound, or broken");
        return ExitCode::FAILURE;
    }
    ExitCode::SUCCESS
}

/// Whether the slowest was within the bound. Prints the row.
fn in_time(attack: &Attack, times: u32) -> bool {
    let each = || (0..times).filter_map(|_| attack.once()).collect::<Vec<f64>>();
    let Ok(mut took) = std::panic::catch_unwind(each) else {
        println!("{:<62} BROKEN, see above", attack.cause);
        return false;
    };
    took.sort_by(f64::total_cmp);
    let (Some(median), Some(worst)) = (took.get(took.len() / 2), took.last()) else {
        println!("{:<62} this machine doesn't let us", attack.cause);
        return true;
    };
    let fast = match attack.scale {
        1 => String::new(),
        scale => format!("   in {scale}-fold time"),
    };
    let mark = if *worst > attack.bound_ms { "   LATE" } else { "" };
    println!(
        "{:<62} {:>9.0} {median:>9.1} {worst:>9.1}{fast}{mark}",
        attack.cause, attack.bound_ms
    );
    *worst <= attack.bound_ms
}
