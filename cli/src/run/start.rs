//! `benchward run start`.

use std::path::Path;

use benchward_api::{Exit, shapes};
use benchward_core::recipe::Recipe;
use clap::Args;

use crate::Session;
use crate::daemon::{Daemon, parsed};
use crate::document;
use crate::failure::Failure;
use crate::figures::clock;
use crate::foretold;
use crate::recipe;

const EXAMPLES: &str = "\
Examples:
  benchward run start bench-1 --recipe \"AX-20 backplane\" --serial A-0017
  benchward run start bench-1 --recipe ax-20-backplane.toml --serial A-0017     stores the file first";

/// Start a run; heat comes on
#[derive(Debug, Args)]
#[command(before_help = EXAMPLES)]
pub(crate) struct Arguments {
    /// The station
    station: String,
    /// Name of a stored recipe, or a file that ends in .toml
    #[arg(long)]
    recipe: String,
    /// Serial number of the board
    #[arg(long)]
    serial: String,
}

pub(crate) async fn start(session: &Session, arguments: &Arguments) -> Result<Exit, Failure> {
    let name = &arguments.station;
    // A mistake in the file is found before anybody is asked.
    let file = Path::new(&arguments.recipe);
    let from_file = file
        .extension()
        .is_some_and(|extension| extension == "toml")
        .then(|| document::read(file, Recipe::parse));
    let from_file = from_file.transpose()?;
    let daemon = session.daemon().await?;
    let station = daemon.station(name).await?;
    let recipe = match from_file {
        None => arguments.recipe.clone(),
        Some((recipe, text)) => stored(&daemon, recipe, text).await?,
    };
    let run = daemon.ask(station.start(&recipe, &arguments.serial)).await?;
    // What follows only informs: if it can't be asked, the run has started all the same.
    let shown = shown(&daemon, run).await;
    let known = shown.as_ref().map(known_board);
    let (board_model, prediction) = shown.map_or((None, None), |shown| (shown.board_model, shown.prediction));
    let started = shapes::Started {
        schema: shapes::SCHEMA,
        run,
        board_model,
        prediction,
    };
    let absent_after_s = absent_after_s(&daemon, name).await;
    session.screen.show(&started, |started, _| {
        let foretold = started.prediction.as_ref().map(foretold::lines);
        sentence(
            started.run,
            name,
            &recipe,
            known.as_deref(),
            foretold.as_deref(),
            absent_after_s,
        )
    })?;
    session.screen.next(&format!("benchward watch {name}"));
    Ok(Exit::Done)
}

/// The record of a run that has just started.
async fn shown(daemon: &Daemon, run: u64) -> Option<shapes::RunShown> {
    let archive = daemon.archive().await.ok()?;
    parsed(&daemon.ask(archive.run(run)).await.ok()?).ok()
}

/// What the run knows of its board.
fn known_board(shown: &shapes::RunShown) -> String {
    let guarded = shown.first_run.as_ref().map_or(String::new(), |first| {
        format!(", guarded by {}", first.guarded_by)
    });
    shown.board_model.as_ref().map_or(
        format!("first run on an unknown board{guarded}"),
        shapes::RunBoardModel::words,
    )
}

fn sentence(
    run: u64,
    station: &str,
    recipe: &str,
    known: Option<&str>,
    foretold: Option<&str>,
    absent_after_s: Option<f64>,
) -> String {
    let known = known.map_or(String::new(), |known| format!("\n{known}"));
    let presence = absent_after_s.map_or(String::new(), |seconds| {
        format!(
            "\nstay with it: confirm with `benchward present {station}` at least every {}",
            clock(seconds)
        )
    });
    format!(
        "run {run} of \"{recipe}\" has started at {station}: heat is on{known}{}{presence}",
        foretold.unwrap_or_default()
    )
}

/// Stores the recipe of a file, unless just this text is stored already; gives its name back.
async fn stored(daemon: &Daemon, recipe: Recipe, text: String) -> Result<String, Failure> {
    let recipes = daemon.recipes().await?;
    let newest = daemon.ask(recipes.show(&recipe.name, 0)).await;
    let same = match newest {
        Ok(json) => parsed::<shapes::RecipeShown>(&json)?.text == text,
        Err(failure) if failure.error() == "NoSuch" => false,
        Err(failure) => return Err(failure),
    };
    if !same {
        recipe::put(daemon, &recipe, text).await.map_err(|failure| match failure.error() {
            "NotPermitted" => failure.hint(format!(
                "start a stored recipe by its name (`benchward recipe list`), or have somebody with the role `process` \
                 store \"{}\"",
                recipe.name
            )),
            _ => failure,
        })?;
    }
    Ok(recipe.name)
}

/// How long nobody may be there in this run, which the recipe may shorten.
async fn absent_after_s(daemon: &Daemon, name: &str) -> Option<f64> {
    let status = daemon.status().await.ok()?;
    status
        .stations
        .into_iter()
        .find(|station| station.station == name)?
        .presence_left_s
        .map(f64::round)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_start_says_what_is_expected_of_people() {
        assert_eq!(
            sentence(
                12,
                "bench-1",
                "AX-20",
                Some("known board (revision 2, learned from run 7)"),
                Some("\n  safe to handle  14:32Z, between 14:29 and 14:36"),
                Some(900.0)
            ),
            "run 12 of \"AX-20\" has started at bench-1: heat is on\n\
             known board (revision 2, learned from run 7)\n\
             \x20 safe to handle  14:32Z, between 14:29 and 14:36\n\
             stay with it: confirm with `benchward present bench-1` at least every 15:00"
        );
    }

    #[test]
    fn json_is_the_number_of_the_run() {
        let started = shapes::Started {
            schema: 1,
            run: 12,
            board_model: None,
            prediction: None,
        };
        assert_eq!(
            serde_json::to_string(&started).unwrap(),
            r#"{"schema":1,"run":12,"board_model":null,"prediction":null}"#
        );
    }
}
