//! The file as others read it is looked at with poppler in the project's end-to-end tests; here is what holds for any document.

use super::*;
use crate::chart::{Axis, Panel, Style};
use crate::document::{Block, Fact, Figure, Side, Table, Tone};
use crate::drawing::Drawing;

fn document(rows: usize, text: &str) -> Document {
    let mut table = Table::new(
        text,
        &[
            (text, Side::Left),
            ("Value", Side::Right),
            ("What it says", Side::Left),
        ],
    );
    for row in 0..rows {
        table.row([row.to_string(), "1.5".into(), text.into()]);
    }
    let mut drawing = Drawing::new(400.0, 200.0);
    let panel = Panel {
        left: 40.0,
        top: 20.0,
        width: 340.0,
        height: 120.0,
        x: Axis::time("Time", 0.0, 100.0, 5),
        y: Axis::figures(text, 0.0, 100.0, 5),
    };
    panel.scales(&mut drawing, true);
    panel.curve(
        &mut drawing,
        &[vec![(0.0, 20.0), (100.0, 80.0)]],
        &Style::of(0, text),
    );
    drawing.legend((40.0, 180.0), 340.0, &[Style::of(0, text), Style::of(5, text)]);
    Document {
        title: format!("run 12 {text}"),
        subtitle: text.into(),
        description: text.into(),
        foot: text.into(),
        blocks: vec![
            Block::Headline(vec![Fact::new("Outcome", text).tone(Tone::Bad); 5]),
            Block::Notice(Tone::Warning, "Caution".into(), text.into()),
            Block::Heading(text.into()),
            Block::Facts(vec![Fact::new(text, text)]),
            Block::Table(table),
            Block::Heading("Chart".into()),
            Block::Figure(Figure {
                title: text.into(),
                description: text.into(),
                drawing,
            }),
            Block::Text(text.into()),
            Block::Verbatim(text.into()),
        ],
    }
}

#[test]
fn every_document_is_accepted_as_accessible() {
    let long = "a serial number of many words ".repeat(30) + &"x".repeat(1_000);
    for text in ["A-0017", "", "  ", "ΔT 寸\u{202E}\u{0}\u{1F525}\n\nтест", &long] {
        for paper in [Paper::A4, Paper::Letter] {
            // A page and more of short rows; rows that are longer than a page.
            for rows in [0, if text.len() < 100 { 120 } else { 2 }] {
                let file =
                    pdf(&document(rows, text), paper).unwrap_or_else(|error| panic!("{text:?}: {error}"));
                assert!(file.starts_with(b"%PDF-"), "{text:?}");
            }
        }
    }
    assert!(
        pdf(
            &Document {
                title: "empty".into(),
                ..Document::default()
            },
            Paper::A4
        )
        .is_ok()
    );
}

#[test]
fn the_same_document_is_the_same_file() {
    let document = document(30, "A-0017");
    assert_eq!(
        pdf(&document, Paper::A4).unwrap(),
        pdf(&document, Paper::A4).unwrap()
    );
}
