//! A run file read by another program, in another language, that knows the format's page only. Needs python3 with `pcodec` and
//! `numpy` (from the Python package index), in `BENCHWARD_PYTHON` or on the path; says so and passes without.

use std::path::Path;
use std::process::Command;

use benchward_archive::{Archive, FaultKind, Outcome, Phase, Reader, Row, RunRecord, Scan, Value, Wall};

/// Scans that bring out every way of writing a column.
fn scan(n: u64) -> Scan {
    let small = u32::try_from(n).unwrap();
    let noise = f64::from(small.wrapping_mul(2_654_435_761) >> 25);
    Scan {
        at: Wall(1_795_611_600_000 + n.cast_signed() * 100 - if n > 800 { 3_600_000 } else { 0 }),
        mono_ms: n * 100 + n * n % 3,
        values: vec![
            // On a grid, noisy: smoothed.
            Value::Celsius((20_000.0 + 3.0 * f64::from(small) + noise / 8.0).round() / 128.0),
            // On no grid.
            Value::Celsius((f64::from(small) + noise).sqrt()),
            // Constant, with faults.
            if n % 90 == 3 {
                Value::Fault(FaultKind::ColdJunction)
            } else {
                Value::Celsius(25.0)
            },
            // Steps, and nothing at times.
            if n % 500 > 450 {
                Value::Absent
            } else {
                Value::Celsius(f64::from(small / 300) + 0.1)
            },
            // Bits that are nobody's temperature.
            Value::Celsius(f64::from_bits(n.wrapping_mul(0x9e37_79b9_7f4a_7c15) >> 2)),
        ],
        heat: if n < 700 { 1.0 } else { noise / 256.0 },
        phase: if n < 700 { Phase::Ramp } else { Phase::Cooldown },
        stage: (n < 700).then_some(2),
        target_celsius: (n < 700).then_some(217.5),
    }
}

#[test]
fn a_foreign_reader_finds_the_same_bits() {
    let python = std::env::var("BENCHWARD_PYTHON").unwrap_or_else(|_| "python3".into());
    let able = Command::new(&python)
        .args(["-c", "import pcodec, numpy"])
        .output();
    if !able.is_ok_and(|output| output.status.success()) {
        println!("skipped: {python} has no pcodec and numpy");
        return;
    }
    let dir = tempfile::tempdir().unwrap();
    let (mut writer, _, _) = Archive::open(dir.path(), "larkfield", Wall(0)).unwrap();
    let station = writer.station("bench-1", &["a", "b", "c", "d", "e"]).unwrap();
    writer
        .put_run(&RunRecord {
            run: 1,
            ..RunRecord::default()
        })
        .unwrap();
    for n in 0..1400 {
        let scan = scan(n);
        let Scan {
            at,
            mono_ms,
            ref values,
            heat,
            phase,
            stage,
            target_celsius,
        } = scan;
        writer
            .append(&Row {
                station,
                run: Some(1),
                at,
                mono_ms,
                values,
                heat,
                phase,
                stage,
                target_celsius,
            })
            .unwrap();
    }
    writer
        .put_run(&RunRecord {
            run: 1,
            outcome: Some(Outcome::Completed),
            ended: Some(Wall(0)),
            ..RunRecord::default()
        })
        .unwrap();
    writer.close(Wall(0)).unwrap();

    let file = Reader::open(dir.path()).unwrap().sealed_file(1).unwrap().unwrap();
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("examples/read_run_file.py");
    let output = Command::new(&python).arg(script).arg(file).output().unwrap();
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    let text = String::from_utf8(output.stdout).unwrap();
    assert_eq!(text.lines().count(), 1400);
    for (n, line) in (0..).zip(text.lines()) {
        let scan = scan(n);
        let fields: Vec<&str> = line.split('\t').collect();
        let number = |at: usize| fields[at].parse::<f64>().ok().map(f64::to_bits);
        assert_eq!(fields[0], scan.at.0.to_string(), "{n}");
        assert_eq!(fields[1], scan.mono_ms.to_string(), "{n}");
        assert_eq!(number(2), Some(scan.heat.to_bits()), "{n}");
        assert_eq!(fields[3], scan.phase.name(), "{n}");
        assert_eq!(
            fields[4],
            scan.stage.map_or(String::new(), |stage| stage.to_string()),
            "{n}"
        );
        assert_eq!(number(5), scan.target_celsius.map(f64::to_bits), "{n}");
        for (at, value) in (6..).zip(&scan.values) {
            match value.celsius() {
                Some(celsius) => assert_eq!(number(at), Some(celsius.to_bits()), "{n}, channel {at}"),
                None => assert_eq!(fields[at], value.quality(), "{n}, channel {at}"),
            }
        }
    }
}
