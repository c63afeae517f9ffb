//! Searches, and prints how far and what it found.

use anyhow::{Result, bail};
use benchward_explore::model::{Bench, Found};
use benchward_explore::world::{Broken, Layout};
use clap::Parser;

/// Plays every order of events against the real interlocks, to a depth, and says whether any property is ever broken.
///
/// Three steps take three minutes of one core and 1.4 GB, each more some fifteen times as much.
#[derive(Parser)]
#[command(name = "explore")]
struct Arguments {
    /// Steps from each starting point.
    #[arg(long, default_value_t = 3)]
    steps: usize,
    /// `one`: one station with every interlock; `two`: two stations, the second's contactor on a third driver.
    #[arg(long)]
    layout: Option<String>,
}

fn main() -> Result<()> {
    let arguments = Arguments::parse();
    let layouts = match arguments.layout.as_deref() {
        Some("one") => vec![Layout::One],
        Some("two") => vec![Layout::Two],
        None => vec![Layout::One, Layout::Two],
        Some(other) => bail!("--layout {other}: `one` or `two`"),
    };
    let mut broken = 0;
    let searches: Vec<_> = layouts
        .into_iter()
        .map(|layout| {
            let steps = arguments.steps;
            (
                layout,
                std::thread::spawn(move || Bench::new(layout, steps).search()),
            )
        })
        .collect();
    for (layout, search) in searches {
        match search.join() {
            Ok(found) => broken += print(layout, &found),
            Err(_) => bail!("the search of {layout:?} panicked"),
        }
    }
    if broken > 0 {
        bail!("{broken} properties are broken");
    }
    Ok(())
}

/// Prints what a search came to. Returns how many properties are broken.
#[expect(clippy::print_stdout, reason = "a report for whoever asked for it")]
fn print(layout: Layout, found: &Found) -> usize {
    println!(
        "layout {layout:?}: {} states, {} of them different, up to {} steps from {} starting points",
        found.generated,
        found.different,
        found.depth,
        Bench::new(layout, 0).starting_points().len()
    );
    let reached = &found.reached;
    println!(
        "  {} with heat, {} with a trip; {} interlocks tripped, {} reset; {} after a resumed run, {} after a restart with a trip",
        reached.hot,
        reached.latched,
        reached.tripped.len(),
        reached.reset.len(),
        reached.resumed,
        reached.restarted_tripped
    );
    for (_, name) in Broken::ALL {
        match found.broken.iter().find(|(broken, ..)| *broken == name) {
            None => println!("  holds   {name}"),
            Some((_, way, wrong)) => {
                println!(
                    "  BROKEN  {name}\n          {}\n          {wrong}",
                    way.join(", ")
                );
            }
        }
    }
    found.broken.len()
}
