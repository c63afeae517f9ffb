//! Whether somebody holds each role, and who asks.

use std::collections::BTreeSet;

use benchward_config::{Config, Roles};
use nix::unistd::{Group, Uid, User, getgroups};

use super::Finding;

/// A group as this machine knows it; none: it doesn't.
type Known = Option<BTreeSet<String>>;

/// `config`: none where it can't be read; one without roles gives everything to the daemon's account.
pub(super) fn look(config: Option<&Config>) -> Vec<Finding> {
    let me = User::from_uid(Uid::effective())
        .ok()
        .flatten()
        .map_or_else(|| format!("uid {}", Uid::effective()), |user| user.name);
    let Some(config) = config else {
        return vec![Finding::ok("you", format!("you are `{me}`"))];
    };
    let Some(roles) = &config.roles else {
        return vec![Finding::ok(
            "roles",
            format!("no [roles]: the account of the daemon has all of them; you are `{me}`"),
        )];
    };
    let mut findings: Vec<Finding> = list(roles)
        .into_iter()
        .map(|(role, groups)| {
            let known: Vec<(&str, Known)> =
                groups.iter().map(|name| (name.as_str(), members(name))).collect();
            held(role, &known)
        })
        .collect();
    // As the daemon sees it: the groups that this process has, not those that the user database would give it.
    let mine: Vec<String> = getgroups()
        .unwrap_or_default()
        .into_iter()
        .chain([nix::unistd::getegid()])
        .filter_map(|gid| Group::from_gid(gid).ok().flatten().map(|group| group.name))
        .collect();
    findings.push(you(&me, roles, &mine));
    findings
}

fn list(roles: &Roles) -> [(&'static str, &[String]); 3] {
    [
        ("operate", &roles.operate),
        ("process", &roles.process),
        ("safety", &roles.safety),
    ]
}

/// Who is in a group: by its own list, and by accounts whose first group it is.
fn members(name: &str) -> Known {
    let group = Group::from_name(name).ok().flatten()?;
    let mut members: BTreeSet<String> = group.mem.into_iter().collect();
    // Accounts of a directory service that has no list of all accounts are not seen here.
    let accounts = std::fs::read_to_string("/etc/passwd").unwrap_or_default();
    members.extend(first_group(&accounts, group.gid.as_raw()));
    Some(members)
}

/// Accounts whose first group is `gid`, of `/etc/passwd` (passwd(5)).
fn first_group(accounts: &str, gid: u32) -> impl Iterator<Item = String> {
    accounts.lines().filter_map(move |line| {
        let fields: Vec<&str> = line.split(':').collect();
        let same = fields.get(3)?.parse::<u32>().ok()? == gid;
        same.then(|| fields[0].to_owned())
    })
}

/// Whether a role has somebody.
fn held(role: &'static str, groups: &[(&str, Known)]) -> Finding {
    let missing: Vec<String> = groups
        .iter()
        .filter(|(_, known)| known.is_none())
        .map(|(name, _)| format!("`{name}`"))
        .collect();
    let names: Vec<&str> = groups.iter().map(|(name, _)| *name).collect();
    let people: BTreeSet<&String> = groups
        .iter()
        .filter_map(|(_, known)| known.as_ref())
        .flatten()
        .collect();
    let finding = if !missing.is_empty() {
        Finding::wrong(
            "role",
            format!("this machine has no group {}", missing.join(", ")),
            format!(
                "`groupadd {}`, or mend [roles]; then restart the daemon",
                missing.join(" ").replace('`', "")
            ),
        )
    } else if groups.is_empty() {
        Finding::look(
            "role",
            "no group has it",
            "name one in [roles], if somebody is to have it",
        )
    } else if people.is_empty() {
        let text = format!("nobody is in {}", names.join(", "));
        let fix = format!("`usermod -aG {} ACCOUNT`, who then logs in again", names[0]);
        if role == "safety" {
            // Without it nobody could lift a trip.
            Finding::wrong("role", format!("{text}: nobody can reset a cut"), fix)
        } else {
            Finding::look("role", text, fix)
        }
    } else {
        let people: Vec<&str> = people.into_iter().map(String::as_str).collect();
        Finding::ok("role", format!("{} ({})", people.join(", "), names.join(", ")))
    };
    finding.of(role)
}

/// Who asks, and what they may do.
fn you(me: &str, roles: &Roles, mine: &[String]) -> Finding {
    let held: Vec<&str> = list(roles)
        .into_iter()
        .filter(|(_, groups)| groups.iter().any(|group| mine.contains(group)))
        .map(|(role, _)| role)
        .collect();
    if held.is_empty() {
        Finding::look(
            "you",
            format!("you are `{me}`, with no role: you may look, and stop the whole lab"),
            "ask for a group that [roles] names, and log in again",
        )
    } else {
        Finding::ok("you", format!("you are `{me}`, with {}", held.join(", ")))
    }
}

#[cfg(test)]
mod tests {
    use super::super::Verdict;
    use super::*;

    fn known(names: &[&str]) -> BTreeSet<String> {
        names.iter().map(|name| (*name).to_owned()).collect()
    }

    #[test]
    fn a_role_needs_a_group_with_somebody_in_it() {
        assert_eq!(
            held("operate", &[("bench", Some(known(&["op1"])))]).verdict,
            Verdict::Ok
        );
        assert_eq!(
            held("operate", &[("bench", Some(known(&[])))]).verdict,
            Verdict::Look
        );
        assert_eq!(
            held("safety", &[("officers", Some(known(&[])))]).verdict,
            Verdict::Wrong
        );
        assert_eq!(held("process", &[]).verdict, Verdict::Look);
        let missing = held("safety", &[("officers", None), ("bench", Some(known(&["op1"])))]);
        assert_eq!(missing.verdict, Verdict::Wrong);
        assert!(
            missing.text.contains("`officers`") && !missing.text.contains("`bench`"),
            "{missing:?}"
        );
        assert!(missing.fix.unwrap().starts_with("`groupadd officers`"));
    }

    #[test]
    fn whoever_asks_is_told_what_they_may() {
        let roles = Roles {
            operate: vec!["bench".into()],
            process: Vec::new(),
            safety: vec!["officers".into()],
        };
        let both = you("safe1", &roles, &["bench".into(), "officers".into()]);
        assert_eq!(both.text, "you are `safe1`, with operate, safety");
        assert_eq!(you("guest", &roles, &["users".into()]).verdict, Verdict::Look);
    }

    #[test]
    fn accounts_belong_to_their_first_group_too() {
        let accounts = "root:x:0:0:root:/root:/bin/bash\nop1:x:1000:1500::/home/op1:/bin/sh\nbroken\n";
        assert_eq!(first_group(accounts, 1500).collect::<Vec<_>>(), ["op1"]);
    }
}
