//! Prints the table.

use std::io::Write as _;

use anyhow::{Context as _, Result};
use benchward_control_table::contest::{By, Contest};
use benchward_control_table::family::{SET, Seeds};
use benchward_control_table::figures::count;
use benchward_control_table::run::Conditions;
use benchward_control_table::{
    census, channels, cooling, cost, faults, first_run, nuisance, prediction, recipes, supply, trace,
};
use clap::{Parser, ValueEnum};

/// The proof of the heat control on a family of simulated benches, as a table.
///
/// Example: `control --seeds tuning --method lab --benches 12`
#[derive(Parser)]
struct Arguments {
    /// Which benches: those to choose constants with, or those to prove them with.
    #[arg(long, value_enum, default_value_t = Set::Proof)]
    seeds: Set,
    /// One method only: first, learned, off-30, fixed, simc; or lab for those of the product.
    #[arg(long)]
    method: Option<String>,
    /// One part of the table only.
    #[arg(long, value_enum)]
    rows: Option<Rows>,
    /// Prints one run as CSV instead, such as `7:B`: the bench's number and the recipe's letter.
    #[arg(long, value_name = "BENCH:RECIPE")]
    trace: Option<String>,
    /// Prints every stage as CSV instead.
    #[arg(long)]
    stages: bool,
    /// The first so many benches of the set.
    #[arg(long, default_value_t = SET, value_parser = clap::value_parser!(u64).range(1..=SET))]
    benches: u64,
}

#[derive(Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Set {
    Tuning,
    Proof,
}

#[derive(Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Rows {
    /// The benches themselves, with the bounds of their stages.
    Family,
    /// The control loops.
    Control,
    /// How long a recipe will take, foretold.
    Prediction,
    /// The other channels of a board, foretold by a plan.
    Channels,
    /// What goes wrong on a bench: found, how soon, how hot.
    Faults,
    /// A bead that was loose before a first run, and what the guard costs.
    FirstRun,
    /// Eased cool-down.
    Cooling,
    /// What must not end a run.
    Nuisance,
    /// A thousand healthy runs, and every trip among them; only when asked for.
    Healthy,
    /// Benches that share a circuit.
    Supply,
    /// What the decisions cost in CPU time.
    Cost,
}

fn main() -> Result<()> {
    let arguments = Arguments::parse();
    let seeds = match arguments.seeds {
        Set::Tuning => Seeds::Tuning,
        Set::Proof => Seeds::Proof,
    };
    let methods: Vec<By> = match &arguments.method {
        None => By::ALL.to_vec(),
        Some(name) => By::named(name),
    };
    let first = *methods
        .first()
        .context("there is no such method; only first, learned, off-30, fixed, simc, and lab")?;
    let mut out = std::io::stdout().lock();
    let wanted = |rows| arguments.rows.is_none_or(|only| only == rows);
    if arguments.rows == Some(Rows::Family) {
        write!(out, "{}", census::rows(&seeds.plants(arguments.benches)))?;
        return Ok(());
    }
    let share = count(usize::try_from(arguments.benches)?) / count(usize::try_from(SET)?);
    if arguments.rows == Some(Rows::Healthy) {
        write!(out, "{}", nuisance::thousand(share)?)?;
        return Ok(());
    }
    let contest = Contest::new(seeds, arguments.benches)?;
    if let Some(which) = &arguments.trace {
        let (bench, recipe) = which
            .split_once(':')
            .and_then(|(bench, letter)| {
                Some((
                    bench.parse::<usize>().ok()?.checked_sub(1)?,
                    recipes::of(letter.chars().next()?)?,
                ))
            })
            .with_context(|| format!("`{which}` is not a bench and a recipe such as `7:B`"))?;
        let run = contest
            .run(bench, &recipe, first, &Conditions::default())?
            .context("the product has no board model yet")?;
        trace::write(&run, &recipe.recipe, &mut out)?;
        return Ok(());
    }
    if arguments.stages {
        write!(out, "{}", contest.stages(&methods)?)?;
        return Ok(());
    }
    if wanted(Rows::Control) {
        write!(out, "{}", contest.rows(&methods)?)?;
    }
    if wanted(Rows::Prediction) {
        write!(out, "{}", prediction::row(&contest)?)?;
        write!(out, "{}", prediction::underway(&contest)?)?;
    }
    if wanted(Rows::Channels) {
        write!(out, "{}", channels::row(contest.plants())?)?;
    }
    if wanted(Rows::Faults) {
        write!(out, "{}", faults::rows(contest.plants())?)?;
    }
    if wanted(Rows::FirstRun) {
        write!(out, "{}", first_run::rows(contest.plants())?)?;
    }
    if wanted(Rows::Cooling) {
        write!(out, "{}", cooling::rows(contest.plants())?)?;
    }
    if wanted(Rows::Nuisance) {
        write!(out, "{}", nuisance::rows(share)?)?;
    }
    if wanted(Rows::Cost) {
        write!(out, "{}", cost::rows(&contest)?)?;
    }
    if wanted(Rows::Supply) {
        write!(out, "{}", supply::rows()?)?;
    }
    Ok(())
}
