//! Pictures of the live view as files that a person can read: `snapshots/NAME.txt`. `BENCHWARD_ACCEPT=1` writes them anew; read the
//! difference before you commit it.

use std::path::PathBuf;

use ratatui::Terminal;
use ratatui::backend::TestBackend;

use super::*;
use crate::degrees::tests::in_fahrenheit;
use crate::readings::tests::readings;
use crate::status::tests::{dwelling, idle, lab, tripped};

const SMALL: (u16, u16) = (80, 24);
const BIG: (u16, u16) = (160, 50);
const BARE: Look = Look {
    colour: false,
    ascii: false,
};
const COLOURED: Look = Look {
    colour: true,
    ascii: false,
};
const ASCII: Look = Look {
    colour: false,
    ascii: true,
};

/// The picture as text; with colour, what is coloured how stands below it.
fn picture(scene: &Scene<'_>, (columns, rows): (u16, u16)) -> String {
    let mut terminal = Terminal::new(TestBackend::new(columns, rows)).unwrap();
    terminal.draw(|frame| draw(scene, frame)).unwrap();
    let buffer = terminal.backend().buffer();
    let mut text = String::new();
    let line = |text: &mut String, cells: String| {
        let _ = writeln!(text, "|{cells}|");
    };
    for y in 0..rows {
        line(&mut text, (0..columns).map(|x| buffer[(x, y)].symbol()).collect());
    }
    if scene.look.colour {
        text.push_str("\nR red  r on red  Y yellow  y on yellow  G green  B bold  d dim  a-e curves\n");
        for y in 0..rows {
            line(&mut text, (0..columns).map(|x| ink(&buffer[(x, y)])).collect());
        }
    } else {
        let bare = (0..rows)
            .flat_map(|y| (0..columns).map(move |x| (x, y)))
            .all(|at| buffer[at].style() == ratatui::buffer::Cell::EMPTY.style());
        assert!(bare, "no colour and no bold where none is wanted");
    }
    if scene.look.ascii {
        assert!(text.is_ascii(), "{text}");
    }
    text
}

/// The style of a cell as a letter.
fn ink(cell: &ratatui::buffer::Cell) -> char {
    match (cell.bg, cell.fg) {
        (Color::Red, _) => 'r',
        (Color::Yellow, _) => 'y',
        (_, Color::Red) => 'R',
        (_, Color::Yellow) => 'Y',
        (_, Color::Cyan) => 'a',
        (_, Color::Magenta) => 'b',
        (_, Color::Green) if cell.modifier.is_empty() => 'G',
        _ if cell.modifier.contains(Modifier::BOLD) => 'B',
        _ if cell.modifier.contains(Modifier::DIM) => 'd',
        _ => ' ',
    }
}

/// Compares with the file, or writes it.
fn same_as_file(name: &str, text: &str) {
    let file = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join(format!("src/watch/view/snapshots/{name}.txt"));
    if std::env::var_os("BENCHWARD_ACCEPT").is_some() {
        std::fs::write(&file, text).unwrap();
        return;
    }
    let kept = std::fs::read_to_string(&file).unwrap_or_default();
    assert!(
        kept == text,
        "{} is not what is drawn now (BENCHWARD_ACCEPT=1 writes it anew):\n{text}",
        file.display()
    );
}

struct Made {
    news: News,
    courses: BTreeMap<String, Course>,
}

impl Made {
    fn of(lab: shapes::Status) -> Self {
        let at: Wall = lab.at.parse().unwrap();
        let mut courses = BTreeMap::new();
        for station in &lab.stations {
            let mut course = Course::default();
            course.take(at, station);
            if station.run == Some(7) {
                let mut shown = crate::run::show::tests::run();
                shown.run.run = 7;
                shown.run.started = "2026-11-25T14:00:00.000Z".into();
                shown.prediction = Some(foretold::tests::prediction());
                shown.recipe_text =
                    "recipe = \"r\"\n[[stage]]\ntarget_celsius = 75\ndwell_s = 60\n[cooldown]\nsafe_celsius = 45\n"
                        .into();
                let curve = |second: u32, mass: f64| 22.0 + 58.0 * (1.0 - (-f64::from(second) / mass).exp());
                let rows: Vec<[f64; 2]> = (0..202)
                    .map(|second| [curve(second, 60.0), curve(second, 90.0)])
                    .collect();
                let rows: Vec<_> = rows
                    .iter()
                    .map(|celsius| ("ramp", Some(1), Some(80.0), 1.0, &celsius[..]))
                    .collect();
                course.told(&shown, &readings(&["board-top", "board-edge"], &rows));
            }
            courses.insert(station.station.clone(), course);
        }
        Self {
            news: News::Lab(Box::new(lab)),
            courses,
        }
    }

    fn scene<'s>(&'s self, page: &'s Page, chosen: &'s str, look: Look) -> Scene<'s> {
        Scene {
            news: &self.news,
            page,
            chosen: Some(chosen),
            courses: &self.courses,
            answer: None,
            look,
        }
    }
}

fn three() -> Made {
    let mut warned = dwelling("bench-1");
    warned.interlocks[0].standing = "warning".into();
    warned.interlocks[0].text =
        "bench-1: nobody confirmed presence for 12 min; heat goes off at 15 min: confirm presence".into();
    warned.presence_left_s = Some(171.0);
    let mut empty = idle("bench-3");
    empty.channels[0].quality = "good".into();
    empty.channels[0].celsius = Some(22.4);
    Made::of(lab(vec![warned, tripped("bench-2"), empty]))
}

fn page(name: &str) -> Page {
    Page::One(name.into())
}

#[test]
fn all_benches() {
    let made = three();
    for (name, look, size) in [
        ("all-80x24", BARE, SMALL),
        ("all-80x24-colour", COLOURED, SMALL),
        ("all-80x24-ascii", ASCII, SMALL),
        ("all-160x50", BARE, BIG),
        ("all-160x50-colour", COLOURED, BIG),
    ] {
        same_as_file(name, &picture(&made.scene(&Page::All, "bench-2", look), size));
    }
}

#[test]
fn one_bench_that_heats() {
    let made = Made::of(lab(vec![dwelling("bench-1"), idle("bench-2")]));
    let page = page("bench-1");
    for (name, look, size) in [
        ("one-80x24", BARE, SMALL),
        ("one-80x24-colour", COLOURED, SMALL),
        ("one-80x24-ascii", ASCII, SMALL),
        ("one-160x50", BARE, BIG),
        ("one-160x50-colour", COLOURED, BIG),
    ] {
        same_as_file(name, &picture(&made.scene(&page, "bench-1", look), size));
    }
}

/// What counts most: unmistakable with no colour at all, with what to do, at the smallest size.
#[test]
fn one_bench_that_tripped() {
    let made = three();
    let page = page("bench-2");
    for (name, look, size) in [
        ("tripped-80x24", BARE, SMALL),
        ("tripped-80x24-colour", COLOURED, SMALL),
        ("tripped-80x24-ascii", ASCII, SMALL),
        ("tripped-160x50", BARE, BIG),
        ("tripped-160x50-colour", COLOURED, BIG),
    ] {
        let text = picture(&made.scene(&page, "bench-2", look), size);
        for needed in [
            "!!! TRIPPED: HEAT IS OFF",
            "limit 2 min",
            "press a: you have seen it",
            "benchward trip reset bench-2",
        ] {
            assert!(text.contains(needed), "{needed}:\n{text}");
        }
        same_as_file(name, &text);
    }
}

/// Who chose degrees Fahrenheit sees no others: figures, scales and words, whatever the lab wrote.
#[test]
fn a_lab_in_fahrenheit() {
    let mut hot = tripped("bench-2");
    hot.interlocks[0].interlock = "over-temperature".into();
    hot.interlocks[0].text = "bench-2 is off (`over-temperature`): channel board-edge read 138.2 °C, limit 130.0 °C (set by the recipe). Heat is \
                              cut. Let it cool; a safety role resets with `benchward trip reset bench-2`"
        .into();
    let mut asks = dwelling("bench-1");
    asks.cautions =
        vec!["the ceiling is raised to 300.0 °C (set by the lab), the configuration says 260.0 °C".into()];
    asks.interlocks[0].interlock = "sensor-detached".into();
    asks.interlocks[0].standing = "warning".into();
    asks.interlocks[0].text =
        "channel board-edge reads 9.0 °C from what the board model expects over 20.0 s, limit 8.0 °C: heat holds back".into();
    let mut status = lab(vec![asks, hot, idle("bench-3")]);
    status.alarms = vec![shapes::Alarm {
        station: "bench-3".into(),
        interlock: "heat-stuck-on".into(),
        acknowledged_by: None,
        standing: "acknowledged".into(),
        text: "bench-3: channel board-top rose 4.0 °C in 30.0 s though the heat has been off for 2 min, limit 3.0 °C: the heater is stuck \
               on; if it goes on, pull its plug"
            .into(),
    }];
    let made = Made::of(status);
    for (name, page, chosen, size) in [
        ("all-80x24-fahrenheit", Page::All, "bench-2", SMALL),
        ("one-160x50-fahrenheit", page("bench-1"), "bench-1", BIG),
        ("tripped-80x24-fahrenheit", page("bench-2"), "bench-2", SMALL),
    ] {
        let text = in_fahrenheit(|| picture(&made.scene(&page, chosen, BARE), size));
        assert!(!text.contains("°C") && text.contains("°F"), "{text}");
        same_as_file(name, &text);
    }
}

#[test]
fn nobody_answers() {
    let made = Made {
        news: News::Nobody("no daemon: tried /run/benchward/bus (nobody listens any more)".into()),
        courses: BTreeMap::new(),
    };
    same_as_file(
        "nobody-80x24",
        &picture(&made.scene(&Page::All, "bench-1", BARE), SMALL),
    );
}

#[test]
fn an_alarm_of_the_lab_is_on_every_page() {
    let mut status = lab(vec![dwelling("bench-1"), tripped("bench-2")]);
    status.alarms = vec![shapes::Alarm {
        station: "bench-2".into(),
        interlock: "heat-stuck-on".into(),
        acknowledged_by: None,
        standing: "tripped".into(),
        text: "bench-2: 3.4 A of current flow through clamp for 1 s though the heat is off, limit 0.3 A: the heater is stuck on; \
               if it goes on, pull its plug"
            .into(),
    }];
    let made = Made::of(status);
    let (all, one) = (Page::All, page("bench-1"));
    for shown in [&all, &one] {
        let text = picture(&made.scene(shown, "bench-1", BARE), SMALL);
        assert!(
            text.contains("!!! ALARM OF THE WHOLE LAB") && text.contains("pull its plug"),
            "{text}"
        );
        assert!(text.contains("benchward trip ack bench-2"), "{text}");
    }
    same_as_file("alarm-80x24", &picture(&made.scene(&one, "bench-1", BARE), SMALL));
}

/// Forty benches and a window of any size: what is chosen is in sight, and nothing panics.
#[test]
fn every_size_shows_something() {
    let stations = (1..=40).map(|number| {
        let name = format!("bench-{number}");
        match number % 3 {
            0 => tripped(&name),
            1 => dwelling(&name),
            _ => idle(&name),
        }
    });
    let made = Made::of(lab(stations.collect()));
    for columns in [1, 19, 20, 33, 60, 80, 100, 120, 160, 300] {
        for rows in [1, 5, 6, 9, 12, 24, 40, 50, 90] {
            for chosen in ["bench-3", "bench-1", "bench-40"] {
                picture(&made.scene(&page(chosen), chosen, ASCII), (columns, rows));
                let all = picture(&made.scene(&Page::All, chosen, BARE), (columns, rows));
                if columns >= 80 && rows >= 12 {
                    let row = all
                        .lines()
                        .any(|line| line.contains('>') && line.contains(chosen));
                    assert!(row, "{chosen} at {columns}x{rows}:\n{all}");
                }
            }
        }
    }
}
