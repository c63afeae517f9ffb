//! `benchward role`: who may what.

use std::fmt::Write as _;

use benchward_api::{Exit, shapes};
use clap::{Args, Subcommand};

use crate::Session;
use crate::daemon::parsed;
use crate::failure::Failure;
use crate::figures::NONE;
use crate::screen::{Paint, Tone};
use crate::table::{Side, Table};

const EXAMPLES: &str = "\
Examples:
  benchward role show";

/// Show who may what
#[derive(Debug, Subcommand)]
#[command(before_help = EXAMPLES)]
pub(crate) enum Verb {
    Show(Show),
}

const SHOW_EXAMPLES: &str = "\
Examples:
  benchward role show                who holds each role, and which you do
  benchward --json role show";

/// Show which unix groups hold each role, and which roles you hold, as the daemon sees it
#[derive(Debug, Args)]
#[command(before_help = SHOW_EXAMPLES)]
pub(crate) struct Show {}

/// What each role is for, beside what everybody may.
const MAY: [(&str, &str); 3] = [
    (
        "operate",
        "start, stop, resume, confirm presence, acknowledge, reset after \"heat off\"",
    ),
    (
        "process",
        "as operate, and store recipes, windows and board models, judge again",
    ),
    (
        "safety",
        "as operate, and reset after a cut, move limits, calibrate, have the configuration read again",
    ),
];

pub(crate) async fn carry_out(session: &Session, verb: &Verb) -> Result<Exit, Failure> {
    let Verb::Show(Show {}) = verb;
    let daemon = session.daemon().await?;
    let roles: shapes::Roles = parsed(&daemon.ask(daemon.lab().await?.roles()).await?)?;
    session.screen.show(&roles, text)?;
    Ok(Exit::Done)
}

fn text(roles: &shapes::Roles, paint: Paint) -> String {
    let holds = match &*roles.holds.join(", ") {
        "" => "no role: you may look, and stop the whole lab".to_owned(),
        all => all.to_owned(),
    };
    let mut text = format!("{} holds {holds}\n\n", paint.text(Tone::Strong, &roles.user));
    if let Some(account) = &roles.account {
        let _ = writeln!(
            text,
            "no [roles] in the configuration: `{account}`, the account of the daemon, holds all of them, and nobody else any"
        );
    } else {
        let mut table = Table::new(&[
            ("ROLE", Side::Left),
            ("HELD BY GROUP", Side::Left),
            ("MAY", Side::Left),
        ]);
        for held in &roles.roles {
            let groups: Vec<String> = held
                .groups
                .iter()
                .map(|one| {
                    if one.there {
                        one.group.clone()
                    } else {
                        format!("{} (not on this system)", one.group)
                    }
                })
                .collect();
            let somebody = held.groups.iter().any(|one| one.there);
            let groups = if groups.is_empty() {
                NONE.to_owned()
            } else {
                groups.join(", ")
            };
            let may = MAY.iter().find(|(role, _)| *role == held.role);
            table.row([
                (held.role.clone(), Tone::Plain),
                (groups, if somebody { Tone::Plain } else { Tone::Warning }),
                (
                    may.map_or_else(String::new, |(_, may)| (*may).to_owned()),
                    Tone::Plain,
                ),
            ]);
        }
        text.push_str(&table.render(paint));
    }
    text.push_str("\neverybody may look, and stop the whole lab");
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    fn roles(holds: &[&str], account: Option<&str>, groups: [&[(&str, bool)]; 3]) -> shapes::Roles {
        let held = |(role, groups): (&str, &[(&str, bool)])| shapes::RoleHeld {
            role: role.into(),
            groups: groups
                .iter()
                .map(|(group, there)| shapes::RoleGroup {
                    group: (*group).into(),
                    there: *there,
                })
                .collect(),
        };
        shapes::Roles {
            schema: shapes::SCHEMA,
            user: "op1".into(),
            holds: holds.iter().map(|role| (*role).to_owned()).collect(),
            account: account.map(Into::into),
            roles: ["operate", "process", "safety"]
                .into_iter()
                .zip(groups)
                .map(held)
                .collect(),
        }
    }

    #[test]
    fn who_asks_comes_first_then_the_table() {
        let groups: [&[(&str, bool)]; 3] = [&[("bench", true)], &[], &[("safety", true), ("gone", false)]];
        assert_eq!(
            text(&roles(&["operate"], None, groups), Paint::NONE),
            "\
op1 holds operate

ROLE     HELD BY GROUP                      MAY
operate  bench                              start, stop, resume, confirm presence, acknowledge, reset after \"heat off\"
process  -                                  as operate, and store recipes, windows and board models, judge again
safety   safety, gone (not on this system)  as operate, and reset after a cut, move limits, calibrate, have the configuration read again

everybody may look, and stop the whole lab"
        );
        assert!(
            text(&roles(&[], None, groups), Paint::NONE)
                .starts_with("op1 holds no role: you may look, and stop the whole lab\n")
        );
    }

    #[test]
    fn without_groups_the_account_is_named() {
        let all = roles(
            &["operate", "process", "safety"],
            Some("benchward"),
            [&[], &[], &[]],
        );
        let text = text(&all, Paint::NONE);
        assert!(text.starts_with("op1 holds operate, process, safety\n"), "{text}");
        assert!(
            text.contains("`benchward`, the account of the daemon, holds all"),
            "{text}"
        );
    }
}
