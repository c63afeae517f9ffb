//! Causes what the interlocks are there for, with real processes, and prints how long the heat stayed on.

use std::fmt::Write as _;
use std::process::ExitCode;

use benchward_tests::attack::{ATTACKS, Attack, Tried, UNDISTURBED_MS};
use clap::Parser;

/// Attacks a lab in every way that it has an answer to, and prints the time from the cause to zero heat
///
/// Times are the lab's, taken at the driver's end with `CLOCK_MONOTONIC`; where the attack is on the driver's process, in the
/// journal. `beside` is the longest time that another bench was without a heat command meanwhile, 500 ms at most. Variants
/// of an attack are tried in turn with it and compared. Exits with 1 where one is above its bound, or something else doesn't
/// hold.
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
    let wanted = |attack: &&Attack| {
        let of = |cause: &str| cause.contains(&options.only);
        of(attack.cause) || attack.against.is_some_and(of)
    };
    let attacks: Vec<&Attack> = ATTACKS.iter().filter(wanted).collect();
    let mut late = 0;
    println!(
        "{:<62} {:>9} {:>9} {:>9} {:>9}   ms",
        "cause", "bound", "median", "worst", "beside"
    );
    // Variants of an attack stand behind it.
    let one_kind = |one: &&Attack, next: &&Attack| next.against.is_some_and(|of| of == of_kind(one));
    for variants in attacks.chunk_by(one_kind) {
        late += in_turn(variants, options.times);
    }
    if late > 0 {
        println!("{late} above the bound, or broken");
        return ExitCode::FAILURE;
    }
    ExitCode::SUCCESS
}

fn of_kind(attack: &Attack) -> &'static str {
    attack.against.unwrap_or(attack.cause)
}

/// Tries an attack and its variants in turn, so that whatever else the machine does meets them alike. Prints their rows, and how they
/// compare. Returns how many are late, or broken.
fn in_turn(variants: &[&Attack], times: u32) -> u32 {
    let mut tried: Vec<Vec<Tried>> = vec![Vec::new(); variants.len()];
    let mut broken = vec![false; variants.len()];
    for _ in 0..times {
        for (at, attack) in variants.iter().enumerate() {
            match std::panic::catch_unwind(|| attack.once()) {
                Ok(once) => tried[at].extend(once),
                Err(_) => broken[at] = true,
            }
        }
    }
    let mut late = 0;
    let mut first = None;
    for (at, attack) in variants.iter().enumerate() {
        let row = Row::of(&tried[at]);
        let in_time = !broken[at] && row.is_none_or(|row| row.in_time(attack));
        late += u32::from(!in_time);
        println!(
            "{:<62} {}",
            attack.cause,
            match row {
                _ if broken[at] => "BROKEN, see above".to_owned(),
                None => "this machine doesn't let us".to_owned(),
                Some(row) => row.text(attack, first),
            }
        );
        first = first.or(row);
    }
    late
}

/// What came of all attempts.
#[derive(Debug, Clone, Copy)]
struct Row {
    median: f64,
    worst: f64,
    beside: Option<f64>,
}

impl Row {
    /// `None`: there was none.
    fn of(tried: &[Tried]) -> Option<Self> {
        let mut took: Vec<f64> = tried.iter().map(|tried| tried.off_ms).collect();
        took.sort_by(f64::total_cmp);
        Some(Self {
            median: *took.get(took.len() / 2)?,
            worst: *took.last()?,
            beside: tried.iter().filter_map(|tried| tried.beside_ms).reduce(f64::max),
        })
    }

    fn in_time(self, attack: &Attack) -> bool {
        self.worst <= attack.bound_ms && self.beside.is_none_or(|beside| beside <= UNDISTURBED_MS)
    }

    /// `first`: the row that this one is compared with.
    fn text(self, attack: &Attack, first: Option<Self>) -> String {
        let beside = self
            .beside
            .map_or("-".to_owned(), |beside| format!("{beside:.0}"));
        let mut text = format!(
            "{:>9.0} {:>9.1} {:>9.1} {beside:>9}",
            attack.bound_ms, self.median, self.worst
        );
        if attack.scale > 1 {
            let _ = write!(text, "   in {}-fold time", attack.scale);
        }
        if let Some(first) = first {
            let (median, worst) = (self.median / first.median, self.worst / first.worst);
            let _ = write!(text, "   median x {median:.2}, worst x {worst:.2}");
        }
        if !self.in_time(attack) {
            text.push_str("   LATE");
        }
        text
    }
}
