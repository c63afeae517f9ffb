//! An archive that an older version wrote is taken over with a copy kept, and can be gone back to; a newer one is refused.
//!
//! `format-1.tgz` was written by the daemon of commit d716941 (format 1): one bench, two runs of a recipe, a press of stop that stands,
//! killed (SIGKILL) between them and their day's end.

use std::fs;
use std::path::Path;
use std::process::Command;

use benchward_archive::{Archive, Error, JournalEntry, LEVELS_MS, Query, Reader, Wall};

/// An hour after the readings of the fixture.
const LATER: Wall = Wall(1_795_877_000_000);

/// What `benchward --archive archive --json journal verify` of that version said.
const HEAD: &str = "8e2dae8f197e81f603add501f16dbded917bc841060ab095f98707040ab3b148";

fn unpack(to: &Path) {
    let packed = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/format-1.tgz");
    let status = Command::new("tar")
        .arg("-xzf")
        .arg(packed)
        .arg("-C")
        .arg(to)
        .status();
    assert!(status.expect("tar is there").success());
}

fn label(root: &Path) -> serde_json::Value {
    serde_json::from_slice(&fs::read(root.join("archive.json")).unwrap()).unwrap()
}

fn check_records(reader: &Reader) {
    let serials: Vec<String> = reader
        .runs(&Query::default())
        .unwrap()
        .into_iter()
        .map(|run| run.serial)
        .collect();
    assert_eq!(serials, ["A-0002", "A-0001"]);
    for run in 1..=2 {
        let rows = reader.readings(run).unwrap().map(Result::unwrap).count();
        assert!(rows > 50, "run {run} has {rows} rows");
        assert_eq!(reader.check_run(run).unwrap(), [], "run {run}");
        assert_eq!(reader.decisions(run).unwrap().len(), 0, "format 1 kept none");
        let level = &reader.coarse_of_run(run, LEVELS_MS[0]).unwrap()[0];
        let scans: u64 = level.spans.iter().map(|span| span.scans).sum();
        assert_eq!(scans, rows as u64, "levels are made where there are none");
    }
    assert!(reader.trips().unwrap()["bench-1"].contains_key("stop"));
    assert!(reader.verify().unwrap().first_bad.is_none());
}

#[test]
fn an_older_archive_becomes_one_of_this_format_and_a_copy_is_kept() {
    let dir = tempfile::tempdir().unwrap();
    unpack(dir.path());
    let root = dir.path().join("archive");
    assert_eq!(label(&root)["format"], 1);

    // Looking at it changes nothing.
    check_records(&Reader::open(&root).unwrap());
    assert_eq!(label(&root)["format"], 1);

    let (mut writer, reader, opened) = Archive::open(&root, "larkfield", LATER).unwrap();
    assert_eq!(label(&root)["format"], 2);
    assert_eq!(
        (opened.next_run, opened.next_journal, &*opened.head),
        (3, 22, HEAD)
    );
    let note = opened.notes.iter().find(|note| note.contains("format 1"));
    assert!(
        note.is_some_and(|note| note.contains("former")),
        "{:?}",
        opened.notes
    );
    check_records(&reader);
    writer.journal(JournalEntry::new(
        LATER,
        0,
        "note",
        "written by the newer version",
    ));
    writer.close(LATER).unwrap();
    // It is taken over once.
    let (writer, _, opened) = Archive::open(&root, "larkfield", LATER).unwrap();
    assert!(
        !opened.notes.iter().any(|note| note.contains("format")),
        "{:?}",
        opened.notes
    );
    writer.close(LATER).unwrap();

    let former: Vec<_> = fs::read_dir(root.join("former")).unwrap().collect();
    assert_eq!(former.len(), 1);
    let copy = former[0].as_ref().unwrap().path();
    assert_eq!(label(&copy)["format"], 1, "the copy is what it was");
    let reader = Reader::open(&copy).unwrap();
    check_records(&reader);
    let (entries, head) = reader.head().unwrap();
    assert_eq!((entries, head.to_string().as_str()), (21, HEAD));
}

#[test]
fn a_newer_archive_is_refused_and_stays_as_it_is() {
    let dir = tempfile::tempdir().unwrap();
    unpack(dir.path());
    let root = dir.path().join("archive");
    let text = fs::read_to_string(root.join("archive.json")).unwrap();
    let newer = text.replace("\"format\": 1", "\"format\": 3");
    assert_ne!(newer, text);
    fs::write(root.join("archive.json"), &newer).unwrap();
    for error in [
        Archive::open(&root, "larkfield", LATER).err().unwrap(),
        Reader::open(&root).err().unwrap(),
        Archive::rebuild(&root, LATER).err().unwrap(),
    ] {
        assert!(
            matches!(
                error,
                Error::NewerFormat {
                    found: 3,
                    known: 2,
                    ..
                }
            ),
            "{error}"
        );
        let text = error.to_string();
        assert!(text.contains("format 3") && text.contains('2'), "{text}");
    }
    assert_eq!(fs::read_to_string(root.join("archive.json")).unwrap(), newer);
    assert!(!root.join("former").exists());
}

#[test]
fn a_store_that_is_gone_spoilt_or_of_another_version_is_made_anew_from_the_files() {
    for spoil in ["gone", "spoilt", "another"] {
        let dir = tempfile::tempdir().unwrap();
        unpack(dir.path());
        let root = dir.path().join("archive");
        let store = root.join("store");
        match spoil {
            "gone" => fs::remove_dir_all(&store).unwrap(),
            "spoilt" => {
                let bytes = fs::read(store.join("db")).unwrap();
                fs::write(store.join("db"), vec![0x5a; bytes.len()]).unwrap();
            }
            // What another version of the store's library says first of itself.
            _ => fs::write(store.join("conf"), b"version: 9.9\n").unwrap(),
        }
        let opened = Archive::rebuild(&root, LATER).unwrap();
        assert!(opened.store_lost, "{spoil}");
        let reader = Reader::open(&root).unwrap();
        check_records(&reader);
        let (entries, head) = reader.head().unwrap();
        assert_eq!(
            (entries, head.to_string().as_str()),
            (21, HEAD),
            "{spoil}: the journal goes on"
        );
        assert!(reader.recipe("AX-20 preheat", None).unwrap().is_some(), "{spoil}");
        if spoil != "gone" {
            assert!(
                root.join("quarantine").exists(),
                "{spoil}: the former store is set aside"
            );
        }
    }
}
