//! `benchward board`: what is known of each kind of board on each station.

use std::fmt::Write as _;

use benchward_api::{Exit, shapes};
use clap::{Args, Subcommand};

use crate::Session;
use crate::daemon::parsed;
use crate::degrees::{Typed, TypedDifference, shown};
use crate::failure::Failure;
use crate::figures::{celsius, difference, moment, percent};
use crate::foretold;
use crate::screen::{Paint, Tone};
use crate::spoken::spoken;
use crate::table::{Side, Table};

const EXAMPLES: &str = "\
Examples:
  benchward board learn 12
  benchward board list
  benchward board show \"AX-20 backplane\" --station bench-1
  benchward board plan \"AX-20 backplane\" --station bench-1 --final 150 --ramp-max 1.5";

/// Learn from a run how a board heats and cools, list and show what is known, plan a recipe
#[derive(Debug, Subcommand)]
#[command(before_help = EXAMPLES)]
pub(crate) enum Verb {
    Learn(Learn),
    List(List),
    Show(Show),
    Plan(Plan),
}

const LEARN_EXAMPLES: &str = "\
Examples:
  benchward board learn 12 --dry-run
  benchward board learn 12
  benchward board learn 12 --board \"AX-20 backplane\"";

/// Learn from a run, for later runs on the same kind of board at the same station; takes the role `process`
///
/// Take a run that reached its target, and let it cool down before: how it cools tells as well. What the run doesn't show
/// stays as it is believed of boards in general.
#[derive(Debug, Args)]
#[command(before_help = LEARN_EXAMPLES)]
pub(crate) struct Learn {
    /// Number of the run
    run: u64,
    /// The kind of board [default: `board` of the run's recipe, else the recipe's name]
    #[arg(long, value_name = "NAME", value_parser = clap::builder::NonEmptyStringValueParser::new())]
    board: Option<String>,
    /// Only say what would be learned; takes no role
    #[arg(long)]
    dry_run: bool,
}

const LIST_EXAMPLES: &str = "\
Examples:
  benchward board list
  benchward --archive /var/lib/benchward board list";

/// List the kinds of boards that are known, and on which station
#[derive(Debug, Args)]
#[command(before_help = LIST_EXAMPLES)]
pub(crate) struct List {}

const SHOW_EXAMPLES: &str = "\
Examples:
  benchward board show \"AX-20 backplane\"
  benchward --json board show \"AX-20 backplane\" --station bench-1";

/// Show what is known of a kind of board
#[derive(Debug, Args)]
#[command(before_help = SHOW_EXAMPLES)]
pub(crate) struct Show {
    /// The kind of board
    board: String,
    /// Only on this station
    #[arg(long, value_name = "STATION")]
    station: Option<String>,
}

const PLAN_EXAMPLES: &str = "\
Examples:
  benchward board plan \"AX-20 backplane\" --station bench-1 --final 150 --ramp-max 1.5
  benchward board plan \"AX-20 backplane\" --station bench-1 --final 150 --dwell 60 --put
  benchward --json board plan \"AX-20 backplane\" --station bench-1 --final 120 --part relay:140";

/// Plan the recipe that takes a known board to a temperature in the least time
///
/// Shows the recipe, what is foretold of it and what that depends on. What the board model can't tell is said.
#[derive(Debug, Args)]
#[command(before_help = PLAN_EXAMPLES)]
pub(crate) struct Plan {
    /// The kind of board
    board: String,
    /// The station
    #[arg(long, value_name = "STATION")]
    station: String,
    /// Temperature that the board gets to: 150C, 302F, or a bare number on the scale that the lab shows, like all below
    #[arg(long = "final", value_name = "DEGREES", value_parser = Typed::parse)]
    target: Typed,
    /// Fastest rise, such as 1.5C/s [default: as fast as the bench can]
    #[arg(long, value_name = "DEGREES_PER_S", value_parser = TypedDifference::parse)]
    ramp_max: Option<TypedDifference>,
    /// Time at that temperature, s
    #[arg(long, value_name = "SECONDS", default_value_t = 30.0)]
    dwell: f64,
    /// Largest spread over the board at the end; the dwell gets as long as it takes
    #[arg(long, value_name = "DEGREES", value_parser = TypedDifference::parse)]
    spread_max: Option<TypedDifference>,
    /// Hottest that a part may get, such as `relay:140`, by the name of its channel; may be said again
    #[arg(long = "part", value_name = "NAME:DEGREES", value_parser = part)]
    parts: Vec<(String, Typed)>,
    /// Safe to handle below
    #[arg(long, value_name = "DEGREES", value_parser = Typed::parse)]
    safe: Option<Typed>,
    /// Temperature of the board before [default: 24C]
    #[arg(long, value_name = "DEGREES", value_parser = Typed::parse, allow_negative_numbers = true)]
    start: Option<Typed>,
    /// Share of the bench's power that its supply leaves it, above 0 to 1 [default: all]
    #[arg(long, value_name = "SHARE")]
    supply_share: Option<f64>,
    /// What the recipe is called [default: the board and the temperature]
    #[arg(long, value_name = "NAME")]
    name: Option<String>,
    /// Store the recipe; takes the role `process`
    #[arg(long)]
    put: bool,
}

/// `relay:140`. The name may hold colons.
fn part(text: &str) -> Result<(String, Typed), String> {
    let wrong = || format!("`{text}` is not a part and its limit, such as `relay:140`");
    let (name, limit) = text.rsplit_once(':').ok_or_else(wrong)?;
    let limit = Typed::parse(limit).map_err(|_| wrong())?;
    if name.trim().is_empty() {
        return Err(wrong());
    }
    Ok((name.trim().into(), limit))
}

async fn plan(session: &Session, arguments: &Plan) -> Result<(), Failure> {
    // Which scale a bare number is on, the lab says.
    let daemon = session.daemon_to_show().await?;
    let degrees = |typed: Typed| match typed.celsius(shown()) {
        // To the point that was typed: 302F are 150, and no recipe is named after what rounding leaves.
        Ok(celsius) => Ok(shapes::thousandths(celsius.degrees())),
        Err(error) => Err(Failure::invalid(error)),
    };
    let apart = |typed: TypedDifference| shapes::thousandths(typed.celsius(shown()));
    let target = degrees(arguments.target)?;
    let mut parts = Vec::new();
    for (name, limit) in &arguments.parts {
        parts.push((name.clone(), degrees(*limit)?));
    }
    let request = shapes::PlanRequest {
        board: arguments.board.clone(),
        station: arguments.station.clone(),
        recipe: arguments
            .name
            .clone()
            .unwrap_or_else(|| format!("{} to {target} °C", arguments.board)),
        target_celsius: target,
        ramp_celsius_per_s_max: arguments.ramp_max.map(apart),
        dwell_s: arguments.dwell,
        safe_celsius: arguments.safe.map(degrees).transpose()?,
        spread_celsius_max: arguments.spread_max.map(apart),
        parts,
        start_celsius: arguments.start.map(degrees).transpose()?,
        supply_share: arguments.supply_share,
    };
    let request = serde_json::to_string(&request)
        .map_err(|error| Failure::failed(format!("can't be asked: {error}")))?;
    let boards = daemon.boards().await?;
    let mut plan: shapes::BoardPlan = parsed(&daemon.ask_records(boards.plan(&request)).await?)?;
    if arguments.put {
        let recipes = daemon.recipes().await?;
        plan.revision = Some(daemon.ask(recipes.put(&plan.text)).await?);
    }
    session.screen.show(&plan, plan_page)?;
    if plan.revision.is_some() {
        session.screen.next(&format!(
            "benchward run start {} --recipe \"{}\" --serial SERIAL",
            plan.station, plan.recipe
        ));
    }
    Ok(())
}

fn plan_page(plan: &shapes::BoardPlan, paint: Paint) -> String {
    let mut text = format!(
        "{}\n{}\n{}",
        plan.text,
        foretold::chart(plan),
        foretold::planned(plan)
    );
    if !plan.channels.is_empty() {
        let _ = write!(text, "\n{}", foretold::channels(plan, paint));
    }
    for said in &plan.said {
        let _ = write!(text, "\n{}\n", spoken(said));
    }
    for unknown in &plan.unknown {
        let _ = write!(text, "\n{}\n", paint.text(Tone::Warning, &spoken(unknown)));
    }
    let said = plan.revision.map_or_else(
        || "not stored: `--put` stores it, or save the text and `benchward recipe put` it".into(),
        |revision| format!("stored as \"{}\" revision {revision}", plan.recipe),
    );
    let _ = write!(text, "\n{said}\n");
    text
}

pub(crate) async fn carry_out(session: &Session, verb: &Verb) -> Result<Exit, Failure> {
    match verb {
        Verb::Learn(arguments) => learn(session, arguments).await?,
        Verb::Plan(arguments) => plan(session, arguments).await?,
        Verb::List(List {}) => {
            let boards = session.records().await?.boards().await?;
            session.screen.show(&boards, table)?;
        }
        Verb::Show(Show { board, station }) => {
            let all = session.records().await?.boards().await?;
            let names: Vec<String> = all.models.iter().map(|model| model.board.clone()).collect();
            let Some(found) = all.only(board, station.as_deref()) else {
                let what = station.as_ref().map_or("known board".into(), |station| {
                    format!("board known at {station}, called")
                });
                let mut names: Vec<&str> = names.iter().map(String::as_str).collect();
                names.dedup();
                return Err(Failure::no_such(&what, board, names.into_iter()));
            };
            session.screen.show(&found, pages)?;
        }
    }
    Ok(Exit::Done)
}

async fn learn(session: &Session, arguments: &Learn) -> Result<(), Failure> {
    let daemon = session.daemon_to_show().await?;
    let boards = daemon.boards().await?;
    let board = arguments.board.as_deref().unwrap_or_default();
    let learned = daemon
        .ask_records(boards.learn(arguments.run, board, !arguments.dry_run))
        .await?;
    let learned: shapes::BoardLearned = parsed(&learned)?;
    session.screen.show(&learned, |learned, paint| {
        let said = if learned.stored {
            format!(
                "stored as revision {}: runs of this board at {} start with it",
                learned.model.revision, learned.model.station
            )
        } else {
            "not stored: a dry run".into()
        };
        format!("{}\n{said}\n", page(&learned.model, paint))
    })?;
    if learned.stored {
        session
            .screen
            .next(&format!("benchward board show \"{}\"", learned.model.board));
    }
    Ok(())
}

fn table(boards: &shapes::Boards, paint: Paint) -> String {
    if boards.models.is_empty() && boards.unreadable.is_empty() {
        return "no board is known; `benchward board learn RUN` learns one".into();
    }
    let mut table = Table::new(&[
        ("BOARD", Side::Left),
        ("STATION", Side::Left),
        ("REVISION", Side::Right),
        ("FROM RUN", Side::Right),
        ("SINCE", Side::Left),
        ("BY", Side::Left),
        ("MISSES BY", Side::Right),
        ("DETERMINED", Side::Right),
    ]);
    for model in &boards.models {
        let determined = model.parameters.iter().filter(|one| one.determined).count();
        table.plain([
            model.board.clone(),
            model.station.clone(),
            model.revision.to_string(),
            model.run.to_string(),
            moment(&model.at),
            model.by.clone(),
            difference(model.rms_celsius, 2),
            format!("{determined} of {}", model.parameters.len()),
        ]);
    }
    let mut text = table.render(paint);
    let troubles = boards.models.iter().map(|model| &model.text);
    for trouble in troubles.chain(&boards.unreadable).filter(|text| !text.is_empty()) {
        let _ = write!(text, "\n{}\n", paint.text(Tone::Warning, trouble));
    }
    text
}

fn pages(boards: &shapes::Boards, paint: Paint) -> String {
    let mut pages: Vec<String> = boards.models.iter().map(|model| page(model, paint)).collect();
    pages.extend(
        boards
            .unreadable
            .iter()
            .map(|text| format!("{}\n", paint.text(Tone::Warning, text))),
    );
    pages.join("\n")
}

fn page(model: &shapes::BoardModel, paint: Paint) -> String {
    let mut text = format!("\"{}\" at {}\n\n", model.board, model.station);
    let revision = match model.revision {
        0 => "none yet".into(),
        revision => format!("{revision}, {} by {}", moment(&model.at), model.by),
    };
    for (label, value) in [
        ("revision", revision),
        (
            "learned",
            format!("from run {} on board {}", model.run, model.serial),
        ),
        ("room", celsius(Some(model.room_celsius))),
        (
            "misses",
            format!(
                "{} (root mean square of {} readings), {} at worst",
                difference(model.rms_celsius, 2),
                model.readings,
                difference(model.worst_celsius, 1)
            ),
        ),
    ] {
        let _ = writeln!(text, "  {label:<10}{value}");
    }
    let mut table = Table::new(&[
        ("  PARAMETER", Side::Left),
        ("VALUE", Side::Right),
        ("STANDARD ERROR", Side::Right),
        ("", Side::Left),
    ]);
    for one in &model.parameters {
        let said = if one.determined {
            ""
        } else {
            "as of boards in general"
        };
        table.plain([
            format!("  {}", one.parameter),
            figure(one.value),
            figure(one.standard_error),
            said.into(),
        ]);
    }
    let _ = write!(text, "\n{}", table.render(paint));
    if !model.channels.is_empty() {
        let mut table = Table::new(&[
            ("  CHANNEL", Side::Left),
            ("SHARE OF THE EXCESS", Side::Right),
            ("LAG", Side::Right),
            ("MISSES BY", Side::Right),
        ]);
        for one in &model.channels {
            table.plain([
                format!("  {}", one.channel),
                percent(one.share),
                format!("{:.1} s", one.lag_s),
                difference(one.rms_celsius, 2),
            ]);
        }
        let _ = write!(text, "\n{}", table.render(paint));
    }
    // Two parameters of one part of the board are shown by the same kind of run.
    let mut missing: Vec<&str> = model.parameters.iter().map(|one| &*one.text).collect();
    missing.retain(|text| !text.is_empty());
    missing.dedup();
    if !missing.is_empty() {
        text.push('\n');
    }
    for missing in missing {
        let _ = writeln!(text, "  {missing}");
    }
    if !model.text.is_empty() {
        let _ = write!(text, "\n{}\n", paint.text(Tone::Warning, &model.text));
    }
    text
}

/// Four digits, whatever the size.
fn figure(value: f64) -> String {
    match value.abs() {
        100.0.. => format!("{value:.0}"),
        10.0.. => format!("{value:.1}"),
        1.0.. => format!("{value:.2}"),
        0.01.. => format!("{value:.4}"),
        _ => format!("{value:.6}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn model() -> shapes::BoardModel {
        let parameter = |name: &str, value, standard_error, text: &str| shapes::BoardParameter {
            parameter: name.into(),
            value,
            standard_error,
            determined: text.is_empty(),
            text: text.into(),
        };
        let dwell = "the run doesn't show the slow part of the board: it takes a dwell";
        shapes::BoardModel {
            board: "AX-20 backplane".into(),
            station: "bench-1".into(),
            revision: 3,
            run: 12,
            serial: "AX20-0001".into(),
            at: "2026-11-25T13:46:33.120Z".into(),
            by: "proc1".into(),
            room_celsius: 23.84,
            readings: 1_204,
            rms_celsius: 0.412,
            worst_celsius: 1.63,
            parameters: vec![
                parameter("rise_celsius_per_s", 1.3482, 0.1618, ""),
                parameter("loss_per_s", 0.005_213, 0.000_63, ""),
                parameter("slow_share", 0.2, 0.1, dwell),
                parameter("slow_lag_s", 140.2, 16.0, dwell),
            ],
            channels: vec![shapes::BoardChannel {
                channel: "board-edge".into(),
                share: 0.91,
                lag_s: 12.3,
                rms_celsius: 0.62,
            }],
            text: String::new(),
        }
    }

    #[test]
    fn a_part_has_a_name_and_a_limit() {
        assert_eq!(
            part("relay:140"),
            Ok(("relay".into(), Typed::parse("140").unwrap()))
        );
        assert_eq!(
            part("K1: coil:99.5F"),
            Ok(("K1: coil".into(), Typed::parse("99.5F").unwrap()))
        );
        for wrong in ["relay", ":140", "relay:hot", "relay:inf", ""] {
            assert!(part(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn a_page_says_what_is_known_and_what_is_not() {
        assert_eq!(
            page(&model(), Paint::NONE),
            "\
\"AX-20 backplane\" at bench-1

  revision  3, 2026-11-25 13:46:33Z by proc1
  learned   from run 12 on board AX20-0001
  room      23.8 °C
  misses    0.41 °C (root mean square of 1204 readings), 1.6 °C at worst

  PARAMETER              VALUE  STANDARD ERROR
  rise_celsius_per_s      1.35          0.1618
  loss_per_s          0.005213        0.000630
  slow_share            0.2000          0.1000  as of boards in general
  slow_lag_s               140            16.0  as of boards in general

  CHANNEL     SHARE OF THE EXCESS     LAG  MISSES BY
  board-edge                 91 %  12.3 s    0.62 °C

  the run doesn't show the slow part of the board: it takes a dwell
"
        );
    }

    #[test]
    fn a_list_has_a_line_a_model_and_says_what_is_wrong() {
        let boards = shapes::Boards {
            schema: 1,
            models: vec![model()],
            unreadable: vec!["revision 1 of the board model \"QM-4 @ oven-1\" can't be read: x".into()],
        };
        assert_eq!(
            table(&boards, Paint::NONE),
            "\
BOARD            STATION  REVISION  FROM RUN  SINCE                 BY     MISSES BY  DETERMINED
AX-20 backplane  bench-1         3        12  2026-11-25 13:46:33Z  proc1    0.41 °C      2 of 4

revision 1 of the board model \"QM-4 @ oven-1\" can't be read: x
"
        );
    }

    /// The keys that scripts rely on.
    #[test]
    fn the_json_has_the_promised_keys() {
        let learned = shapes::BoardLearned {
            schema: 1,
            stored: true,
            model: model(),
        };
        let value = serde_json::to_value(learned).unwrap();
        for key in ["schema", "stored", "model"] {
            assert!(value.get(key).is_some(), "{key}");
        }
        for key in [
            "board",
            "station",
            "revision",
            "run",
            "at",
            "by",
            "rms_celsius",
            "worst_celsius",
        ] {
            assert!(value["model"].get(key).is_some(), "{key}");
        }
        for key in ["parameter", "value", "standard_error", "determined", "text"] {
            assert!(value["model"]["parameters"][0].get(key).is_some(), "{key}");
        }
    }
}
