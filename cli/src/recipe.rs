//! `benchward recipe`: the stages for each kind of board.

use std::fmt::Write as _;
use std::path::PathBuf;

use benchward_api::{Exit, shapes};
use benchward_core::recipe::Recipe;
use clap::{Args, Subcommand};

use crate::Session;
use crate::daemon::Daemon;
use crate::document;
use crate::failure::Failure;
use crate::figures::celsius;
use crate::screen::Paint;
use crate::table::{Side, Table};

const EXAMPLES: &str = "\
Examples:
  benchward recipe list
  benchward recipe check ax-20-backplane.toml
  benchward recipe put ax-20-backplane.toml";

/// List, show, check and store recipes
#[derive(Debug, Subcommand)]
#[command(before_help = EXAMPLES)]
pub(crate) enum Verb {
    List(List),
    Show(Show),
    Check(Check),
    Put(Put),
}

const LIST_EXAMPLES: &str = "\
Examples:
  benchward recipe list
  benchward --archive /var/lib/benchward recipe list";

/// List the newest revision of every stored recipe
#[derive(Debug, Args)]
#[command(before_help = LIST_EXAMPLES)]
pub(crate) struct List {}

const SHOW_EXAMPLES: &str = "\
Examples:
  benchward recipe show \"AX-20 backplane preheat\"
  benchward recipe show \"AX-20 backplane preheat\" --revision 2";

/// Show a stored recipe as it was written
#[derive(Debug, Args)]
#[command(before_help = SHOW_EXAMPLES)]
pub(crate) struct Show {
    /// Its name
    recipe: String,
    /// The revision [default: the newest]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..))]
    revision: Option<u32>,
}

const CHECK_EXAMPLES: &str = "\
Examples:
  benchward recipe check ax-20-backplane.toml";

/// Check a recipe file; needs no daemon, shows all mistakes at once
#[derive(Debug, Args)]
#[command(before_help = CHECK_EXAMPLES)]
pub(crate) struct Check {
    /// The file
    file: PathBuf,
}

const PUT_EXAMPLES: &str = "\
Examples:
  benchward recipe put ax-20-backplane.toml";

/// Store a recipe file as the newest revision of its recipe; takes the role `process`
#[derive(Debug, Args)]
#[command(before_help = PUT_EXAMPLES)]
pub(crate) struct Put {
    /// The file
    file: PathBuf,
}

pub(crate) async fn carry_out(session: &Session, verb: Verb) -> Result<Exit, Failure> {
    match verb {
        Verb::List(List {}) => {
            let recipes = session.records().await?.recipes().await?;
            session.screen.show(&recipes, table)?;
        }
        Verb::Show(Show { recipe, revision }) => {
            let shown = session.records().await?.recipe(&recipe, revision).await?;
            // The text alone, so that it can be piped into a file and put again.
            session.screen.show(&shown, |shown, _| shown.text.clone())?;
        }
        Verb::Check(Check { file }) => {
            return document::check(session, "recipe", &file, Recipe::parse, |recipe, _| {
                describe(recipe)
            });
        }
        Verb::Put(Put { file }) => {
            let (recipe, text) = document::read(&file, Recipe::parse)?;
            let daemon = session.daemon().await?;
            let shown = put(&daemon, &recipe, text).await?;
            session.screen.show(&shown, |shown, _| {
                format!(
                    "recipe \"{}\" is stored as revision {}",
                    shown.recipe, shown.revision
                )
            })?;
            session.screen.next(&format!(
                "benchward run start STATION --recipe \"{}\" --serial SERIAL",
                recipe.name
            ));
        }
    }
    Ok(Exit::Done)
}

/// Stores a recipe.
pub(crate) async fn put(
    daemon: &Daemon,
    recipe: &Recipe,
    text: String,
) -> Result<shapes::RecipeShown, Failure> {
    let recipes = daemon.recipes().await?;
    let revision = daemon.ask(recipes.put(&text)).await?;
    Ok(shapes::RecipeShown {
        schema: shapes::SCHEMA,
        recipe: recipe.name.clone(),
        revision,
        text,
    })
}

/// A recipe read aloud.
fn describe(recipe: &Recipe) -> String {
    let mut text = format!("\"{}\" has no mistakes\n\n", recipe.name);
    let mut table = Table::new(&[
        ("STAGE", Side::Right),
        ("TARGET", Side::Right),
        ("BAND", Side::Right),
        ("RAMP AT MOST", Side::Right),
        ("DWELL", Side::Right),
    ]);
    for (number, stage) in recipe.stages.iter().enumerate() {
        table.plain([
            (number + 1).to_string(),
            celsius(Some(stage.target.degrees())),
            format!("± {}", crate::figures::difference(stage.band.degrees(), 1)),
            stage.ramp_max.map_or(crate::figures::NONE.into(), |ramp| {
                crate::figures::rate(ramp.per_second())
            }),
            crate::figures::clock(stage.dwell.seconds()),
        ]);
    }
    text.push_str(&table.render(Paint::NONE));
    let ceiling = recipe.ceiling.map_or("none of its own".to_owned(), |ceiling| {
        celsius(Some(ceiling.degrees()))
    });
    let safe = celsius(Some(recipe.cooldown.safe.degrees()));
    let _ = writeln!(text, "\nceiling {ceiling}; safe to handle below {safe}");
    text
}

fn table(recipes: &shapes::Recipes, paint: Paint) -> String {
    if recipes.recipes.is_empty() {
        return "no recipe is stored yet; `benchward recipe put FILE` stores one".into();
    }
    let mut table = Table::new(&[
        ("RECIPE", Side::Left),
        ("REVISION", Side::Right),
        ("STAGES", Side::Right),
        ("HIGHEST", Side::Right),
        ("CEILING", Side::Right),
    ]);
    for recipe in &recipes.recipes {
        table.plain([
            recipe.recipe.clone(),
            recipe.revision.to_string(),
            recipe.stages.to_string(),
            celsius(Some(recipe.highest_celsius)),
            celsius(recipe.ceiling_celsius),
        ]);
    }
    table.render(paint)
}

#[cfg(test)]
mod tests {
    use super::*;

    const GOOD: &str = "recipe = \"AX-20\"\nceiling_celsius = 130\n[[stage]]\ntarget_celsius = 80\nramp_celsius_per_s_max = 1.5\ndwell_s = 90\n";

    #[test]
    fn a_good_recipe_is_read_aloud() {
        let recipe = Recipe::parse("x.toml", GOOD).unwrap();
        assert_eq!(
            describe(&recipe),
            "\
\"AX-20\" has no mistakes

STAGE   TARGET      BAND  RAMP AT MOST  DWELL
    1  80.0 °C  ± 2.0 °C      1.5 °C/s   1:30

ceiling 130.0 °C; safe to handle below 45.0 °C
"
        );
    }
}
