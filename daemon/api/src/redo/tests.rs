//! The log there and back: what is noted is what is read, and what is damaged is told and nothing worse.

use std::sync::Arc;

use benchward_archive::{self as archive, Column, Table, Wall};
use benchward_core::units::{Amps, Celsius, CelsiusDelta, Fraction, Millis};
use benchward_core::{
    ChannelSetup, Event, Excerpt, Fault, InputId, InputUse, InstanceId, Lab, Moved, OutputId, OutputRole,
    OutputSetup, Phase, Row, RunId, Sample, Seq, Setup, StationId, StationSetup, SupplyCall, Value,
};
use proptest::prelude::*;

use super::log::{Command, Log, Noted, Part, at};
use super::reading::{Reading, excerpt};
use super::{Unreadable, kept};

const CHANNELS: usize = 3;

fn lab() -> Excerpt {
    let station = StationSetup {
        name: "bench-1".into(),
        channels: ["board-top", "board-edge", "connector"]
            .map(|name| ChannelSetup {
                name: name.into(),
                offset: CelsiusDelta::constant(0.0),
            })
            .to_vec(),
        permissives: vec!["hood".into()],
        supply: None,
        ceiling: None,
        follows_heat: true,
    };
    let input = |name: &str, wired| (InstanceId(0), Arc::from(name), wired);
    let lab = Lab::new(Setup {
        name: "larkfield".into(),
        time_scale: 1,
        instances: vec!["rack".into()],
        stations: vec![station],
        supplies: Vec::new(),
        inputs: vec![
            // Not in the order of the channels, and not from the first input on.
            input("hood", InputUse::Permissive(StationId(0), 0)),
            input("tc3", InputUse::Channel(StationId(0), 2)),
            input("tc1", InputUse::Channel(StationId(0), 0)),
            input("tc2", InputUse::Channel(StationId(0), 1)),
            input("pedal", InputUse::Presence(StationId(0))),
        ],
        outputs: vec![OutputSetup {
            instance: InstanceId(0),
            name: "heat1".into(),
            station: StationId(0),
            role: OutputRole::Heat,
        }],
        ceiling: Celsius::constant(260.0),
        absent_after: Millis(60_000),
        next_run: RunId(1),
        moved: Moved::default(),
        standing_trips: Vec::new(),
    });
    lab.excerpt(Millis(0), StationId(0))
        .expect("there is such a station")
}

/// Input of each channel of [`lab`].
const INPUTS: [u32; CHANNELS] = [2, 3, 1];

/// What happens next: the item, and the row that is put into the run's file, if there is one.
#[derive(Debug, Clone)]
struct Next {
    /// Milliseconds since the item before, and how much later than the sampling it is.
    after: (u64, u64),
    seq: u64,
    what: What,
    commands: Vec<(u8, u32, i8, f64, Option<u16>)>,
}

#[derive(Debug, Clone)]
enum What {
    /// Per channel its value, how much higher the row's is, and its cold junction; what else is in it; whether its row was kept.
    Scan(
        [Option<(Sample, f64, Option<f64>)>; CHANNELS],
        Vec<(u32, Extra)>,
        bool,
    ),
    Applied(u32, Option<u8>, Option<f64>, bool),
    Other(u8),
    Supply([u64; 7], [f64; 2]),
}

#[derive(Debug, Clone, Copy)]
enum Extra {
    Active(bool),
    Unreadable,
    Amps(f64),
}

fn any_sample() -> impl Strategy<Value = Sample> {
    let celsius = |degrees| Sample::Good(Celsius::new(degrees).unwrap());
    prop_oneof![
        8 => (-6400..51_200_i32).prop_map(move |count| celsius(f64::from(count) / 128.0)),
        2 => (-200.0..1800.0).prop_map(celsius),
        1 => prop::sample::select(vec![Fault::Open, Fault::Short, Fault::Range, Fault::ColdJunction, Fault::Device])
            .prop_map(Sample::Fault),
    ]
}

fn any_scan() -> impl Strategy<Value = What> {
    let higher = prop_oneof![3 => Just(0.0), 1 => -5.0..5.0_f64];
    let reading = (any_sample(), higher, prop::option::of(-20.0..60.0));
    let extra = prop_oneof![
        any::<bool>().prop_map(Extra::Active),
        Just(Extra::Unreadable),
        (0.0..20.0).prop_map(Extra::Amps),
    ];
    (
        prop::array::uniform3(prop::option::weighted(0.8, reading)),
        prop::collection::vec((prop::sample::select(vec![0_u32, 4, 9]), extra), 0..3),
        prop::bool::weighted(0.9),
    )
        .prop_map(|(values, extras, kept)| What::Scan(values, extras, kept))
}

fn any_next() -> impl Strategy<Value = Next> {
    let what = prop_oneof![
        6 => any_scan(),
        2 => (0..3_u32, prop::option::of(any::<u8>()), prop::option::of(0.0..=1.0), any::<bool>())
            .prop_map(|(output, behind, fraction, lapsed)| What::Applied(output, behind, fraction, lapsed)),
        3 => (0..6_u8).prop_map(What::Other),
        1 => ((0..5_u64, 0..3_u64, any::<u32>(), any::<u32>()), (0..2_u64, 0..2_u64, any::<u32>()), (0.0..=1.0, 0.0..3000.0)).prop_map(
            |((station, kind, now, seq), (draw, dwelling, since), (asked, rated))| {
                What::Supply([station, kind, now.into(), seq.into(), draw, dwelling, since.into()], [asked, rated])
            }
        ),
    ];
    let command = (
        0..4_u8,
        0..3_u32,
        any::<i8>(),
        0.0..=1.0,
        prop::option::of(0..1000_u16),
    );
    (
        (1..300_u64, 0..50_u64),
        0..5_u64,
        what,
        prop::collection::vec(command, 0..3),
    )
        .prop_map(|(after, seq, what, commands)| Next {
            after,
            seq,
            what,
            commands,
        })
}

/// Notes it all, as the archive thread does: rows behind their scans, parts whenever there is enough. Returns what was noted, the parts, and the
/// rows of the run's file.
fn noted(excerpt: Excerpt, all: &[Next]) -> (Vec<Noted>, Vec<Table>, Vec<archive::Scan>) {
    let mut log = Log::new(excerpt);
    let (mut items, mut parts, mut rows) = (Vec::new(), Vec::new(), Vec::new());
    let (mut now, mut seq) = (100_000, 1_000_u64);
    for next in all {
        now += next.after.0;
        seq += next.seq;
        let sampled = Millis(now - next.after.1.min(next.after.0 - 1));
        let (part, row) = item(next, sampled, seq);
        let commands = (1..)
            .zip(&next.commands)
            .map(|(place, command)| told(*command, seq + place));
        let noted = Noted {
            now: Millis(now),
            seq: Seq(seq),
            part,
            commands: commands.collect(),
        };
        items.push(noted.clone());
        log.note(noted);
        if let Some(row) = row {
            log.row(&row);
            rows.push(archive::Scan {
                at: Wall(0),
                mono_ms: row.at.0,
                values: kept::values(&row),
                heat: 0.0,
                phase: archive::Phase::Ramp,
                stage: None,
                target_celsius: None,
            });
        }
        parts.extend(log.part());
    }
    parts.extend(log.rest());
    (items, parts, rows)
}

fn item(next: &Next, sampled: Millis, seq: u64) -> (Part, Option<Row>) {
    let event = match &next.what {
        What::Scan(readings, extras, is_kept) => {
            let mut values = Vec::new();
            let mut row = Vec::new();
            for (input, reading) in INPUTS.into_iter().zip(readings) {
                row.push(reading.map(|(sample, higher, _)| match sample {
                    Sample::Good(celsius) => Sample::Good(Celsius::new(celsius.degrees() + higher).unwrap()),
                    fault @ Sample::Fault(_) => fault,
                }));
                if let Some((sample, _, cold)) = reading {
                    let value = cold.map_or(Value::Sample(*sample), |cold| Value::Junction {
                        sample: *sample,
                        cold_junction: Celsius::new(cold).unwrap(),
                    });
                    values.push((InputId(input), value));
                }
            }
            for (input, extra) in extras {
                let value = match *extra {
                    Extra::Active(active) => Value::Active(active),
                    Extra::Unreadable => Value::Unreadable,
                    Extra::Amps(amps) => Value::Current(Amps::new(amps).unwrap()),
                };
                values.push((InputId(*input), value));
            }
            let there = row.iter().any(Option::is_some) && *is_kept;
            let row = there.then_some(Row {
                station: StationId(0),
                at: sampled,
                run: Some(RunId(1)),
                values: row,
                heat: Fraction::ZERO,
                phase: Phase::Ramp,
                stage: None,
                target: None,
            });
            let instance = InstanceId(0);
            let scan = Event::Scan {
                instance,
                at: sampled,
                values,
            };
            return (Part::Event(scan), row);
        }
        What::Applied(output, behind, fraction, lapsed) => Event::Applied {
            output: OutputId(*output),
            seq: behind.map(|behind| Seq(seq.wrapping_sub(behind.into()))),
            fraction: fraction.map_or(Fraction::ZERO, |fraction| Fraction::new(fraction).unwrap()),
            lapsed: *lapsed,
        },
        What::Other(0) => Event::Tick,
        What::Other(1) => Event::Think,
        What::Other(2) => Event::Refused {
            output: OutputId(0),
            seq: None,
            text: "a line\nand \"another\", °C".into(),
        },
        What::Other(3) => return (Part::Among(Event::Tick, Vec::new()), None),
        What::Other(begun @ (4 | 5)) => return (Part::OtherStart { begun: *begun == 5 }, None),
        What::Other(_) => return (Part::Gap, None),
        What::Supply(numbers, quantities) => {
            let call = SupplyCall::from_numbers(*numbers, *quantities);
            return (call.map_or(Part::Gap, Part::Supply), None);
        }
    };
    (Part::Event(event), None)
}

fn told((kind, output, apart, fraction, offset): (u8, u32, i8, f64, Option<u16>), seq: u64) -> Command {
    let (output, seq) = (OutputId(output), Seq(seq.wrapping_add_signed(apart.into())));
    match kind {
        0 => Command::Heat {
            output,
            seq,
            fraction: Fraction::new(fraction).unwrap(),
            offset: offset.map(|offset| Millis(offset.into())),
        },
        1 => Command::Off(output, seq),
        2 => Command::Cut(output, seq),
        _ => Command::Restore(output, seq),
    }
}

fn text(items: &[Noted]) -> Vec<String> {
    items.iter().map(|item| format!("{item:?}")).collect()
}

/// Everything that can be read, and why not more.
fn read(parts: &[Table], rows: &[archive::Scan]) -> Result<(Vec<Noted>, Option<Unreadable>), Unreadable> {
    let found = excerpt(parts.first().ok_or(Unreadable::Missing(0))?)?;
    let mut reading = Reading::new(&found, rows);
    let mut items = Vec::new();
    for part in parts {
        let (some, whole) = reading.part(part);
        items.extend(some);
        if let Err(why) = whole {
            return Ok((items, Some(why)));
        }
    }
    Ok((items, None))
}

/// What is done to a column.
#[derive(Debug, Clone)]
enum Harm {
    Gone,
    Short(prop::sample::Index),
    Number(prop::sample::Index, i64),
    Figure(prop::sample::Index, f64),
    Byte(prop::sample::Index, u8),
    OtherKind,
}

fn any_harm() -> impl Strategy<Value = Harm> {
    let number = prop_oneof![any::<i64>(), -3..10_i64, Just(i64::MIN), Just(i64::MAX)];
    let figure = prop_oneof![Just(f64::NAN), Just(f64::INFINITY), Just(-1.0), any::<f64>()];
    prop_oneof![
        Just(Harm::Gone),
        any::<prop::sample::Index>().prop_map(Harm::Short),
        (any::<prop::sample::Index>(), number).prop_map(|(at, number)| Harm::Number(at, number)),
        (any::<prop::sample::Index>(), figure).prop_map(|(at, figure)| Harm::Figure(at, figure)),
        (any::<prop::sample::Index>(), any::<u8>()).prop_map(|(at, byte)| Harm::Byte(at, byte)),
        Just(Harm::OtherKind),
    ]
}

/// Puts in place of one value of a column another, if it has any of that kind.
fn replace<T>(values: &mut [T], at: prop::sample::Index, value: T) {
    if !values.is_empty() {
        let at = at.index(values.len());
        values[at] = value;
    }
}

fn spoil(parts: &mut [Table], part: prop::sample::Index, column: prop::sample::Index, harm: &Harm) {
    let table = &mut part.get_mut(parts).0;
    let place = column.index(table.len());
    let (_, column) = &mut table[place];
    match (harm, column) {
        (Harm::Gone, _) => drop(table.remove(place)),
        (Harm::Short(at), Column::Integers(values)) => values.truncate(at.index(values.len() + 1)),
        (Harm::Short(at), Column::Floats(values)) => values.truncate(at.index(values.len() + 1)),
        (Harm::Short(at), Column::Bytes(bytes)) => bytes.truncate(at.index(bytes.len() + 1)),
        (Harm::Number(at, number), Column::Integers(values)) => replace(values, *at, *number),
        (Harm::Figure(at, figure), Column::Floats(values)) => replace(values, *at, *figure),
        (Harm::Byte(at, byte), Column::Bytes(bytes)) => replace(bytes, *at, *byte),
        (_, column) => {
            *column = match column {
                Column::Integers(_) => Column::Floats(vec![1.0]),
                Column::Floats(_) | Column::Bytes(_) => Column::Integers(vec![1]),
            }
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(32))]

    #[test]
    fn what_is_noted_is_read(all in prop::collection::vec(any_next(), 0..120)) {
        let (items, parts, rows) = noted(lab(), &all);
        let (found, wrong) = read(&parts, &rows).unwrap();
        prop_assert_eq!(wrong, None);
        prop_assert_eq!(text(&found), text(&items));
    }

    /// A row that isn't there any more is named; what came before it counts.
    #[test]
    fn a_missing_row_is_told(all in prop::collection::vec(any_next(), 1..60), gone in any::<prop::sample::Index>()) {
        let (items, parts, mut rows) = noted(lab(), &all);
        prop_assume!(!rows.is_empty());
        let gone = rows.remove(gone.index(rows.len()));
        let (found, wrong) = read(&parts, &rows).unwrap();
        prop_assert_eq!(&text(&found)[..], &text(&items)[..found.len()]);
        // Scans that were written in full need no row.
        if found.len() < items.len() {
            prop_assert_eq!(wrong, Some(Unreadable::Row(gone.mono_ms)));
        }
    }

    /// Whatever is wrong in a column that a sum has let pass: no panic, no endless loop.
    #[test]
    fn damage_is_told_or_read_as_something_else_and_never_worse(
        all in prop::collection::vec(any_next(), 1..80),
        harms in prop::collection::vec((any::<prop::sample::Index>(), any::<prop::sample::Index>(), any_harm()), 1..4),
    ) {
        let (_, mut parts, rows) = noted(lab(), &all);
        for (part, column, harm) in &harms {
            spoil(&mut parts, *part, *column, harm);
        }
        let _ = read(&parts, &rows);
    }

    /// A part that is lost is missed, and what is in the parts before it counts.
    #[test]
    fn a_missing_part_is_told(all in prop::collection::vec(any_next(), 120..200), gone in any::<prop::sample::Index>()) {
        let (items, mut parts, rows) = noted(lab(), &all);
        let gone = gone.index(parts.len());
        parts.remove(gone);
        match read(&parts, &rows) {
            Err(why) => prop_assert!(gone == 0, "{}", why),
            Ok((found, wrong)) => {
                prop_assert_eq!(&text(&found)[..], &text(&items)[..found.len()]);
                // The last one that is missing is told by the run, which goes on.
                let expected = (gone < parts.len()).then(|| Unreadable::Missing(i64::try_from(gone).unwrap()));
                prop_assert_eq!(wrong, expected);
            }
        }
    }
}

/// Columns that were cut short name their part.
#[test]
fn a_short_column_is_told_with_its_part() {
    let tick = Next {
        after: (100, 0),
        seq: 1,
        what: What::Other(0),
        commands: vec![(0, 0, 0, 0.5, None)],
    };
    let (_, mut parts, rows) = noted(lab(), &std::iter::repeat_n(tick, 60).collect::<Vec<_>>());
    let columns = [
        at::NOW,
        at::SEQ,
        at::COMMANDS,
        at::COMMAND,
        at::COMMAND_SEQ,
        at::FRACTION,
    ];
    for column in columns {
        let mut spoiled = parts.clone();
        let (_, values) = spoiled[1]
            .0
            .iter_mut()
            .find(|(number, _)| *number == column)
            .unwrap();
        match values {
            Column::Integers(values) => drop(values.pop()),
            Column::Floats(values) => drop(values.pop()),
            Column::Bytes(_) => unreachable!("none of them"),
        }
        let (found, wrong) = read(&spoiled, &rows).unwrap();
        assert_eq!(
            (found.len(), wrong),
            (59, Some(Unreadable::Part(1))),
            "column {column}"
        );
    }
    parts[0].0.retain(|(number, _)| *number != at::EXCERPT);
    assert_eq!(read(&parts, &rows).err(), Some(Unreadable::Missing(0)));
}
