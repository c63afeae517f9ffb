//! A document as one HTML file, with its charts as SVG in it: no script, nothing from elsewhere.
//!
//! Who can't see a chart has its title and description, and who hears a table has its headings by `scope`. The page is light or dark as the
//! reader's system is, paper always light. A content policy in the file forbids scripts and requests, should anything ever get past
//! the escaping.

use std::fmt::Write as _;

use crate::document::{Block, Cell, Document, Fact, Figure, Side, Table, Tone};
use crate::drawing::{Anchor, Mark, Shape};
use crate::ink::{self, Ink, Rgb};
use crate::visible;

/// The whole file.
pub fn html(document: &Document) -> String {
    let mut page = Page::default();
    let title = escaped(&document.title);
    let _ = write!(
        page.out,
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
         <meta name=\"color-scheme\" content=\"light dark\">\n\
         <meta name=\"description\" content=\"{}\">\n<title>{title}</title>\n<style>\n{}</style>\n</head>\n<body>\n<main>\n\
         <header>\n<h1>{title}</h1>\n",
        escaped(&document.description),
        style()
    );
    if !document.subtitle.is_empty() {
        let _ = writeln!(
            page.out,
            "<p class=\"subtitle\">{}</p>",
            escaped(&document.subtitle)
        );
    }
    page.out.push_str("</header>\n");
    for block in &document.blocks {
        page.block(block);
    }
    page.end_section();
    let _ = write!(
        page.out,
        "</main>\n<footer>{}</footer>\n</body>\n</html>\n",
        escaped(&document.foot)
    );
    page.out
}

/// Cells of at most so many letters are not broken on a screen.
const KEPT: usize = 20;

/// Text for the inside of an element or of a quoted attribute.
fn escaped(text: &str) -> String {
    let text = visible(text);
    let mut out = String::with_capacity(text.len());
    for letter in text.chars() {
        match letter {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            letter => out.push(letter),
        }
    }
    out
}

fn class(tone: Tone) -> &'static str {
    match tone {
        Tone::Plain => "",
        Tone::Good => "good",
        Tone::Warning => "warning",
        Tone::Bad => "bad",
    }
}

/// ` class="bad"`, or nothing.
fn attribute(words: &[&str]) -> String {
    let words: Vec<&str> = words.iter().copied().filter(|word| !word.is_empty()).collect();
    if words.is_empty() {
        String::new()
    } else {
        format!(" class=\"{}\"", words.join(" "))
    }
}

#[derive(Default)]
struct Page {
    out: String,
    in_section: bool,
    sections: usize,
    figures: usize,
    tables: usize,
}

impl Page {
    fn end_section(&mut self) {
        if self.in_section {
            self.out.push_str("</section>\n");
            self.in_section = false;
        }
    }

    fn block(&mut self, block: &Block) {
        match block {
            Block::Heading(text) => {
                self.end_section();
                self.sections += 1;
                let _ = write!(
                    self.out,
                    "<section aria-labelledby=\"h{0}\">\n<h2 id=\"h{0}\">{1}</h2>\n",
                    self.sections,
                    escaped(text)
                );
                self.in_section = true;
            }
            Block::Text(text) => {
                let _ = writeln!(self.out, "<p>{}</p>", escaped(text));
            }
            Block::Notice(tone, label, text) => {
                let _ = writeln!(
                    self.out,
                    "<p{}><strong>{}</strong> {}</p>",
                    attribute(&["notice", class(*tone)]),
                    escaped(label),
                    escaped(text)
                );
            }
            Block::Headline(facts) => self.facts("headline", facts),
            Block::Facts(facts) => self.facts("facts", facts),
            Block::Table(table) => self.table(table),
            Block::Figure(figure) => self.figure(figure),
            Block::Verbatim(text) => {
                let _ = writeln!(self.out, "<pre tabindex=\"0\">{}</pre>", escaped(text));
            }
        }
    }

    fn facts(&mut self, kind: &str, facts: &[Fact]) {
        let _ = writeln!(self.out, "<dl class=\"{kind}\">");
        for fact in facts {
            let _ = writeln!(
                self.out,
                "<div><dt>{}</dt><dd{}>{}</dd></div>",
                escaped(&fact.name),
                attribute(&[class(fact.tone)]),
                escaped(&fact.value)
            );
        }
        self.out.push_str("</dl>\n");
    }

    fn table(&mut self, table: &Table) {
        self.tables += 1;
        let number = self.tables;
        // Wide tables scroll in a box of their own, which the keyboard has to reach.
        let _ = write!(
            self.out,
            "<div class=\"wide\" role=\"region\" tabindex=\"0\" aria-labelledby=\"t{number}\">\n<table>\n\
             <caption id=\"t{number}\">{}</caption>\n<thead>\n<tr>",
            escaped(&table.caption)
        );
        let side = |at: usize| match table.columns.get(at).map(|column| column.side) {
            Some(Side::Right) => "right",
            _ => "",
        };
        for (at, column) in table.columns.iter().enumerate() {
            let _ = write!(
                self.out,
                "<th scope=\"col\"{}>{}</th>",
                attribute(&[side(at)]),
                escaped(&column.heading)
            );
        }
        self.out.push_str("</tr>\n</thead>\n<tbody>\n");
        for row in &table.rows {
            self.out.push_str("<tr>");
            for (at, Cell { text, tone }) in row.iter().enumerate() {
                // What is short stays on one line: a serial number that is broken at its hyphen reads badly.
                let keep = if text.chars().count() <= KEPT { "keep" } else { "" };
                let (open, close) = if at == 0 {
                    ("th scope=\"row\"", "th")
                } else {
                    ("td", "td")
                };
                let _ = write!(
                    self.out,
                    "<{open}{}>{}</{close}>",
                    attribute(&[side(at), class(*tone), keep]),
                    escaped(text)
                );
            }
            self.out.push_str("</tr>\n");
        }
        self.out.push_str("</tbody>\n</table>\n</div>\n");
    }

    fn figure(&mut self, figure: &Figure) {
        self.figures += 1;
        let number = self.figures;
        let _ = write!(
            self.out,
            "<figure>\n<div class=\"wide\" role=\"region\" tabindex=\"0\" aria-labelledby=\"c{number}\">\n"
        );
        svg(&mut self.out, figure, number);
        let _ = writeln!(
            self.out,
            "</div>\n<figcaption id=\"c{number}\">{}</figcaption>\n</figure>",
            escaped(&figure.title)
        );
    }
}

fn svg(out: &mut String, figure: &Figure, number: usize) {
    let drawing = &figure.drawing;
    let _ = writeln!(
        out,
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {} {}\" role=\"img\" aria-labelledby=\"g{number} d{number}\">\n\
         <title id=\"g{number}\">{}</title>\n<desc id=\"d{number}\">{}</desc>",
        short(drawing.width),
        short(drawing.height),
        escaped(&figure.title),
        escaped(&figure.description)
    );
    for shape in &drawing.shapes {
        match shape {
            Shape::Area { points, ink } => {
                let _ = writeln!(
                    out,
                    "<path class=\"f-{}\" d=\"{}\"/>",
                    ink.name(),
                    path(points, true)
                );
            }
            Shape::Line { points, stroke } => {
                let dash = match stroke.dash.lengths() {
                    [] => String::new(),
                    lengths => format!(
                        " stroke-dasharray=\"{}\"",
                        lengths
                            .iter()
                            .map(|length| short(*length))
                            .collect::<Vec<_>>()
                            .join(" ")
                    ),
                };
                let _ = writeln!(
                    out,
                    "<path class=\"l-{}\" stroke-width=\"{}\"{dash} d=\"{}\"/>",
                    stroke.ink.name(),
                    short(stroke.width),
                    path(points, false)
                );
            }
            Shape::Marker { at, mark, ink } => {
                let lines: String = mark
                    .outline()
                    .into_iter()
                    .map(|points| {
                        let moved: Vec<_> = points.iter().map(|(x, y)| (x + at.0, y + at.1)).collect();
                        path(&moved, mark.filled() || *mark == Mark::Ring)
                    })
                    .collect();
                let kind = if mark.filled() { "f" } else { "l" };
                let _ = writeln!(
                    out,
                    "<path class=\"{kind}-{}\" stroke-width=\"1.3\" d=\"{lines}\"/>",
                    ink.name()
                );
            }
            Shape::Words {
                at,
                anchor,
                text,
                size,
                ink,
                strong,
            } => {
                let anchor = match anchor {
                    Anchor::Start => "",
                    Anchor::Middle => " text-anchor=\"middle\"",
                    Anchor::End => " text-anchor=\"end\"",
                };
                let weight = if *strong { " font-weight=\"700\"" } else { "" };
                let _ = writeln!(
                    out,
                    "<text class=\"f-{}\" x=\"{}\" y=\"{}\" font-size=\"{}\"{anchor}{weight}>{}</text>",
                    ink.name(),
                    short(at.0),
                    short(at.1),
                    short(*size),
                    escaped(text)
                );
            }
        }
    }
    out.push_str("</svg>\n");
}

/// A number with at most one decimal: a tenth of a pixel is less than anybody sees.
fn short(value: f64) -> String {
    let rounded = (value * 10.0).round() / 10.0;
    // Never "-0".
    format!("{}", if rounded == 0.0 { 0.0 } else { rounded })
}

/// Path data; each place relative to the one before, since that is shorter.
fn path(points: &[(f64, f64)], closed: bool) -> String {
    let tenths = |value: f64| {
        #[expect(
            clippy::cast_possible_truncation,
            reason = "a drawing is a few thousand points wide"
        )]
        let whole = (value * 10.0).round() as i64;
        whole
    };
    #[expect(clippy::cast_precision_loss, reason = "as above")]
    let back = |tenths: i64| short(tenths as f64 / 10.0);
    let mut data = String::new();
    let mut last: Option<(i64, i64)> = None;
    for &(x, y) in points {
        let (x, y) = (tenths(x), tenths(y));
        match last {
            None => {
                let _ = write!(data, "M{} {}", back(x), back(y));
            }
            Some((from_x, from_y)) => {
                let _ = write!(data, "l{} {}", back(x - from_x), back(y - from_y));
            }
        }
        last = Some((x, y));
    }
    if closed {
        data.push('Z');
    }
    data
}

fn colours(of: fn(Ink) -> Rgb) -> String {
    ink::ALL.into_iter().fold(String::new(), |mut text, ink| {
        let [red, green, blue] = of(ink);
        let _ = write!(text, "--{}:#{red:02x}{green:02x}{blue:02x};", ink.name());
        text
    })
}

fn style() -> String {
    let mut text = format!(
        ":root{{color-scheme:light dark;{}}}\n@media screen and (prefers-color-scheme:dark){{:root{{{}}}}}\n",
        colours(Ink::light),
        colours(Ink::dark)
    );
    for ink in ink::ALL {
        let name = ink.name();
        let _ = writeln!(
            text,
            ".f-{name}{{fill:var(--{name})}}.l-{name}{{stroke:var(--{name});fill:none}}"
        );
    }
    text.push_str(STYLE);
    text
}

/// Sizes in `rem`, so that the reader's own letter size counts.
const STYLE: &str = "\
*{box-sizing:border-box}
body{margin:0;background:var(--ground);color:var(--words);font:1rem/1.45 \"Liberation Sans\",Arial,Helvetica,sans-serif}
main,footer{max-width:60rem;margin:0 auto;padding:1.25rem}
h1{font-size:1.7rem;line-height:1.2;margin:0}
h2{font-size:1.2rem;margin:2rem 0 .5rem;padding-bottom:.2rem;border-bottom:2px solid var(--words)}
p{margin:.5rem 0;max-width:46rem}
.subtitle{margin:.3rem 0 0;color:var(--faint)}
h1,.subtitle,p,dd,td,th,caption,figcaption,footer{overflow-wrap:anywhere}
dl{margin:.75rem 0}
dd{margin:0}
.headline{display:grid;grid-template-columns:repeat(auto-fit,minmax(11rem,1fr));gap:.75rem}
.headline div{border:1px solid var(--faint);border-radius:.3rem;padding:.6rem .8rem}
.headline dt,.facts dt{color:var(--faint)}
.headline dd{font-size:1.35rem;font-weight:700;line-height:1.25}
.facts div{display:grid;grid-template-columns:minmax(8rem,13rem) 1fr;gap:.2rem 1rem;padding:.25rem 0;border-bottom:1px solid var(--grid)}
.good{color:var(--good)}
.warning{color:var(--warning);font-weight:700}
.bad{color:var(--bad);font-weight:700}
.notice{border-left:.35rem solid var(--faint);background:var(--band);padding:.6rem .8rem;color:var(--words);font-weight:400}
.notice.warning{border-color:var(--warning)}
.notice.bad{border-color:var(--bad)}
.wide{overflow-x:auto;margin:.75rem 0}
.wide:focus-visible,pre:focus-visible{outline:3px solid var(--s0);outline-offset:2px}
table{border-collapse:collapse;min-width:100%;font-size:.94rem;font-variant-numeric:tabular-nums}
caption{text-align:left;color:var(--faint);padding:.2rem 0}
th,td{text-align:left;vertical-align:top;padding:.28rem .9rem .28rem 0;border-bottom:1px solid var(--grid);overflow-wrap:break-word}
tbody th{font-weight:400}
thead th{border-bottom:1.5px solid var(--words)}
th.right,td.right{text-align:right}
.right,.keep{white-space:nowrap}
figure{margin:1rem 0}
figcaption{color:var(--faint);font-size:.94rem}
svg{display:block;width:100%;min-width:36rem;height:auto;font-family:\"Liberation Sans\",Arial,Helvetica,sans-serif}
pre{background:var(--band);padding:.8rem;overflow-x:auto;font:.88rem/1.4 \"Liberation Mono\",\"DejaVu Sans Mono\",monospace;white-space:pre-wrap;overflow-wrap:anywhere}
footer{color:var(--faint);font-size:.88rem;border-top:1px solid var(--grid)}
@page{margin:15mm 14mm}
@media print{
:root{color-scheme:light}
html{font-size:9.5pt}
body{background:#fff}
main,footer{max-width:none;padding:0}
h1{font-size:16pt}
h2{font-size:12pt;margin:14pt 0 4pt;break-after:avoid}
p{max-width:none}
.wide,pre{overflow:visible}
.headline{grid-template-columns:repeat(4,1fr);gap:6pt}
.headline dd{font-size:12pt}
.headline div,.facts div,figure,tr,.notice{break-inside:avoid}
caption{break-after:avoid}
thead{display:table-header-group}
svg{min-width:0;max-height:105mm}
th,td{padding:2pt 6pt 2pt 0}
.right,.keep{white-space:normal}
.notice,.headline div{print-color-adjust:exact}
}
";

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Drawing;

    #[test]
    fn what_strangers_wrote_is_text() {
        let hostile = "\"><script>alert(1)</script><img src=x onerror='y'>&amp;\u{202E}";
        let mut table = Table::new(hostile, &[(hostile, Side::Left)]);
        table.row([hostile]);
        let page = html(&Document {
            title: hostile.into(),
            subtitle: hostile.into(),
            description: hostile.into(),
            foot: hostile.into(),
            blocks: vec![
                Block::Heading(hostile.into()),
                Block::Text(hostile.into()),
                Block::Notice(Tone::Bad, hostile.into(), hostile.into()),
                Block::Headline(vec![Fact::new(hostile, hostile)]),
                Block::Facts(vec![Fact::new(hostile, hostile)]),
                Block::Table(table),
                Block::Verbatim(hostile.into()),
                Block::Figure(Figure {
                    title: hostile.into(),
                    description: hostile.into(),
                    drawing: Drawing {
                        width: 10.0,
                        height: 10.0,
                        shapes: vec![Shape::Words {
                            at: (0.0, 0.0),
                            anchor: Anchor::Start,
                            text: hostile.into(),
                            size: 10.0,
                            ink: Ink::Words,
                            strong: false,
                        }],
                    },
                }),
            ],
        });
        for bad in ["<script", "<img", "onerror='", "\u{202E}", "&amp;amp;\u{202E}"] {
            assert!(!page.contains(bad), "`{bad}` in\n{page}");
        }
        // Title twice, and every other place once.
        assert_eq!(
            page.matches("&lt;script&gt;alert(1)&lt;/script&gt;").count(),
            21,
            "{page}"
        );
        assert!(page.contains("&lt;U+202E&gt;"));
    }

    #[test]
    fn a_table_names_its_rows_and_columns() {
        let mut table = Table::new("Stages", &[("Stage", Side::Right), ("Target", Side::Right)]);
        table.row([("1".to_owned(), Tone::Plain), ("60 °C".to_owned(), Tone::Bad)]);
        let page = html(&Document {
            blocks: vec![Block::Heading("A".into()), Block::Table(table)],
            ..Document::default()
        });
        for part in [
            "<caption id=\"t1\">Stages</caption>",
            "<th scope=\"col\" class=\"right\">Stage</th>",
            "<th scope=\"row\" class=\"right keep\">1</th><td class=\"right bad keep\">60 °C</td>",
            "<section aria-labelledby=\"h1\">\n<h2 id=\"h1\">A</h2>",
            "</section>\n</main>",
        ] {
            assert!(page.contains(part), "`{part}` is missing:\n{page}");
        }
    }

    #[test]
    fn paths_are_short_and_don_t_drift() {
        assert_eq!(
            path(&[(0.0, 0.04), (10.26, -0.04), (10.0, 5.0)], true),
            "M0 0l10.3 0l-0.3 5Z"
        );
        // A thousand steps of 0.04: rounded places, not rounded steps.
        let many: Vec<_> = (0..=1000).map(|at| (f64::from(at) * 0.04, 0.0)).collect();
        let sum: f64 = path(&many, false)
            .split('l')
            .skip(1)
            .map(|step| step.split(' ').next().unwrap().parse::<f64>().unwrap())
            .sum();
        assert!((sum - 40.0).abs() < 1e-9, "{sum}");
    }
}
