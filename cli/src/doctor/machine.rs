//! The machine: its clocks, the disk under the archive, and the archive.

use std::path::{Path, PathBuf};

use benchward_archive::{Error as ArchiveError, Reader, Wall};

use super::Finding;
use super::daemon::Known;
use crate::failure::with_causes;

/// How far the daemon's wall clock may be from this program's, milliseconds: both are of one machine, and an answer takes a moment.
const APART_MS: i64 = 2_000;

/// Clock sources of Linux that lose time or jump: what the kernel falls back to (kernel documentation, "Timekeeping").
const POOR_SOURCES: [&str; 2] = ["jiffies", "refined-jiffies"];

/// File systems where what was synced may be gone after a power failure, or where the server decides. From memory of their
/// documentation: network file systems sync as their server is set up; FUSE as its program does; FAT has no journal.
const WEAK: [&str; 12] = [
    "nfs", "nfs4", "cifs", "smb3", "smbfs", "9p", "ceph", "fuse", "fuseblk", "vfat", "exfat", "msdos",
];

/// File systems in memory: gone with the next start of the machine.
const VOLATILE: [&str; 2] = ["tmpfs", "ramfs"];

/// Below so many times the reserve, somebody should look.
const ROOM: u64 = 5;

pub(super) async fn clock(known: &Known) -> Vec<Finding> {
    let source = std::fs::read_to_string("/sys/devices/system/clocksource/clocksource0/current_clocksource");
    let mut findings = vec![monotonic(source.ok().as_deref().map(str::trim))];
    findings.push(synchronized(time_is_synchronized().await));
    let theirs = known
        .status
        .as_ref()
        .and_then(|status| status.at.parse::<Wall>().ok());
    findings.extend(theirs.and_then(|theirs| apart(theirs, Wall::now())));
    findings
}

/// The clock that decisions are made on.
fn monotonic(source: Option<&str>) -> Finding {
    match source {
        Some(source) if POOR_SOURCES.contains(&source) => Finding::look(
            "clock",
            format!("the kernel counts time by `{source}`, the poorest there is"),
            "see `dmesg | grep -i clocksource` for why it distrusts a better one",
        ),
        Some(source) => Finding::ok("clock", format!("monotonic time by `{source}`")),
        None => Finding::ok("clock", "monotonic time; this kernel doesn't say by what"),
    }
}

/// The wall clock that records carry.
fn synchronized(answer: Option<bool>) -> Finding {
    match answer {
        Some(true) => Finding::ok("clock", "wall time is synchronized"),
        Some(false) => Finding::look(
            "clock",
            "wall time is not synchronized: records carry what it says",
            "`timedatectl set-ntp true`, or run another client of a time server; decisions don't depend on it",
        ),
        None => Finding::look(
            "clock",
            "nobody on this machine says whether wall time is right",
            "compare it with another clock; records carry what it says, decisions don't depend on it",
        ),
    }
}

/// What systemd's time service says; none where it isn't there.
async fn time_is_synchronized() -> Option<bool> {
    let asked = async {
        let bus = zbus::Connection::system().await.ok()?;
        let answer = bus
            .call_method(
                Some("org.freedesktop.timedate1"),
                "/org/freedesktop/timedate1",
                Some("org.freedesktop.DBus.Properties"),
                "Get",
                &("org.freedesktop.timedate1", "NTPSynchronized"),
            )
            .await
            .ok()?;
        let value: zbus::wire::OwnedVariant = answer.body().deserialize().ok()?;
        bool::try_from(value).ok()
    };
    let patience = std::time::Duration::from_secs(3);
    tokio::time::timeout(patience, asked).await.ok().flatten()
}

/// The daemon's wall clock is this machine's, unless its time is scaled or the clock was moved under it.
fn apart(theirs: Wall, ours: Wall) -> Option<Finding> {
    let apart_ms = theirs.0 - ours.0;
    (apart_ms.abs() > APART_MS).then(|| {
        Finding::look(
            "clock",
            format!("the daemon says it is {theirs}, this machine {ours}"),
            "a daemon with --time-scale has a time of its own; else restart it when no board is hot",
        )
    })
}

pub(super) fn disk(folder: &Path, reserve: u64) -> Vec<Finding> {
    // Before the first start it isn't there: the folder that it will be made in counts.
    let Some(there) = folder.ancestors().find(|path| path.exists()) else {
        return vec![Finding::wrong(
            "disk",
            format!("{} can't be made", folder.display()),
            "mend `archive` in [lab]",
        )];
    };
    let mut findings = Vec::new();
    match rustix::fs::statvfs(there) {
        Ok(stat) => findings.push(room(folder, stat.f_bavail.saturating_mul(stat.f_frsize), reserve)),
        Err(error) => findings.push(Finding::wrong(
            "disk",
            format!("{} can't be looked at: {error}", there.display()),
            "may this account read it?",
        )),
    }
    let mounts = std::fs::read_to_string("/proc/self/mountinfo").unwrap_or_default();
    let there = there.canonicalize().unwrap_or_else(|_| there.to_owned());
    findings.extend(file_system(&mounts, &there).map(|kind| suits(folder, &kind)));
    findings
}

/// Free space against the reserve.
fn room(folder: &Path, free: u64, reserve: u64) -> Finding {
    let text = format!(
        "{} MB are free at {}, {} MB are the reserve for runs and journal",
        free / 1_000_000,
        folder.display(),
        reserve / 1_000_000
    );
    if free < reserve {
        Finding::wrong(
            "disk",
            text,
            "make room: readings outside runs are dropped already, runs come next",
        )
    } else if free < reserve.saturating_mul(ROOM) {
        Finding::look(
            "disk",
            text,
            "make room soon, or lower `outside_runs_days` in [archive]",
        )
    } else {
        Finding::ok("disk", text)
    }
}

/// The type of the file system that a path is on, from `/proc/self/mountinfo` (proc(5): mount point is the fifth field, the type the
/// first after ` - `; blanks are `\040`).
fn file_system(mounts: &str, path: &Path) -> Option<String> {
    let mut best: Option<(usize, String)> = None;
    for line in mounts.lines() {
        let Some((front, back)) = line.split_once(" - ") else {
            continue;
        };
        let Some(point) = front.split(' ').nth(4) else {
            continue;
        };
        let point = PathBuf::from(point.replace("\\040", " "));
        let depth = point.components().count();
        // Of two on one point the later hides the earlier.
        if path.starts_with(&point) && best.as_ref().is_none_or(|(known, _)| depth >= *known) {
            best = Some((depth, back.split(' ').next().unwrap_or_default().to_owned()));
        }
    }
    best.map(|(_, kind)| kind)
}

/// Whether records are safe there.
fn suits(folder: &Path, kind: &str) -> Finding {
    let place = folder.display();
    if VOLATILE.contains(&kind) {
        Finding::wrong(
            "disk",
            format!(
                "{place} is on {kind}, in memory: every record is gone with the next start of this machine"
            ),
            "set `archive` in [lab] to a folder on a disk",
        )
    } else if WEAK.contains(&kind) || kind.starts_with("fuse.") {
        Finding::look(
            "disk",
            format!("{place} is on {kind}, where what was synced may be lost in a power failure"),
            "keep the archive on a local disk with a journal, such as ext4 or xfs, and copy it from there",
        )
    } else {
        Finding::ok("disk", format!("{place} is on {kind}"))
    }
}

/// The daemon's word on its archive, or a look at it where none runs. Returns whether somebody holds it.
pub(super) fn archive(folder: &Path, known: &Known, findings: &mut Vec<Finding>) -> bool {
    if let Some(status) = &known.status {
        findings.push(if status.archive.is_empty() {
            Finding::ok("archive", "the daemon writes it")
        } else {
            Finding::wrong(
                "archive",
                status.archive.clone(),
                "see the daemon's log; nothing is lost while it says so",
            )
        });
        return true;
    }
    if !folder.exists() {
        findings.push(Finding::look(
            "archive",
            format!("{} isn't there yet", folder.display()),
            "the daemon makes it at its first start: may its account do that there?",
        ));
        return false;
    }
    match Reader::open(folder) {
        Ok(_) => {
            findings.push(Finding::ok("archive", format!("{} opens", folder.display())));
            false
        }
        Err(error @ ArchiveError::InUse { .. }) => {
            findings.push(Finding::look(
                "archive",
                hintless(&error),
                "a daemon runs by another socket than was asked: name it with --socket",
            ));
            true
        }
        Err(error @ ArchiveError::NotAnArchive(_)) => {
            findings.push(Finding::look(
                "archive",
                hintless(&error),
                "the daemon makes one at its first start; or is it another folder?",
            ));
            false
        }
        Err(error) => {
            findings.push(Finding::wrong(
                "archive",
                hintless(&error),
                format!(
                    "`benchward --archive {} archive check` says more",
                    folder.display()
                ),
            ));
            false
        }
    }
}

/// An error without the hint that it carries: what to do here is said here.
fn hintless(error: &ArchiveError) -> String {
    let whole = with_causes(error);
    whole.split("\nhint: ").next().unwrap_or_default().to_owned()
}

#[cfg(test)]
mod tests {
    use super::super::Verdict;
    use super::*;

    #[test]
    fn room_is_judged_against_the_reserve() {
        let verdict = |free| room(Path::new("/a"), free, 200_000_000).verdict;
        assert_eq!(
            [
                verdict(199_999_999),
                verdict(200_000_000),
                verdict(999_999_999),
                verdict(1_000_000_000)
            ],
            [Verdict::Wrong, Verdict::Look, Verdict::Look, Verdict::Ok]
        );
    }

    #[test]
    fn the_innermost_mount_counts() {
        let mounts = "\
21 1 254:0 / / rw,relatime shared:1 - ext4 /dev/vda rw
30 21 0:27 / /run rw,nosuid - tmpfs tmpfs rw
31 21 0:28 / /var/lib/bench\\040ward rw - nfs4 server:/x rw
32 21 0:29 / /mnt rw - ext4 /dev/vdb rw
33 21 0:30 / /mnt rw - fuse.sshfs a:/ rw
broken line
";
        let kind = |path: &str| file_system(mounts, Path::new(path)).unwrap();
        assert_eq!(kind("/var/lib/benchward"), "ext4");
        assert_eq!(kind("/run/benchward"), "tmpfs");
        assert_eq!(kind("/runner"), "ext4", "whole names count");
        assert_eq!(kind("/var/lib/bench ward/archive"), "nfs4");
        assert_eq!(kind("/mnt/x"), "fuse.sshfs", "the later one hides the earlier");
        let verdict = |path: &str| suits(Path::new(path), &kind(path)).verdict;
        assert_eq!(verdict("/var/lib/benchward"), Verdict::Ok);
        assert_eq!(verdict("/run/benchward"), Verdict::Wrong);
        assert_eq!(verdict("/mnt/x"), Verdict::Look);
        assert_eq!(verdict("/var/lib/bench ward"), Verdict::Look);
    }

    #[test]
    fn clocks_are_told_apart() {
        assert_eq!(monotonic(Some("tsc")).verdict, Verdict::Ok);
        assert_eq!(monotonic(Some("jiffies")).verdict, Verdict::Look);
        assert_eq!(synchronized(Some(true)).verdict, Verdict::Ok);
        assert_eq!(synchronized(Some(false)).verdict, Verdict::Look);
        assert_eq!(synchronized(None).verdict, Verdict::Look);
        assert_eq!(apart(Wall(1_000), Wall(2_900)), None);
        assert!(apart(Wall(1_000), Wall(3_001)).is_some());
    }
}
