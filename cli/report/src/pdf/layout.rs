//! Where everything goes.

use crate::document::{Block, Document, Fact, Figure, Side, Table, Tone};
use crate::drawing::Drawing;
use crate::fonts;
use crate::ink::Ink;
use crate::visible;

use super::Paper;

/// Margins: left and right, above, below; points.
const MARGIN: (f64, f64, f64) = (44.0, 44.0, 52.0);
/// Size of the letters of text, of tables, and of what explains.
const TEXT: f64 = 9.5;
const SMALL: f64 = 8.5;
/// Height of a line, in sizes of its letters.
const LEADING: f64 = 1.35;
/// Columns of tables that need no more than this are not made narrower: a time with its date.
const SHORT: f64 = 92.0;
/// Paragraphs of no more lines than this are not torn.
const WHOLE: usize = 6;
/// Between two columns of a table.
const GUTTER: f64 = 9.0;

/// A laid-out document.
#[derive(Debug, Default)]
pub(super) struct Laid {
    /// What stands on each page, in the order of reading.
    pub(super) leaves: Vec<Vec<Placed>>,
    /// What it means, as a tree: each knows the one above it. Parents come before their children.
    pub(super) nodes: Vec<Node>,
    /// Sections: heading, page counted from 0, and y.
    pub(super) outline: Vec<(String, usize, f64)>,
}

/// Something with a place.
#[derive(Debug)]
pub(super) struct Placed {
    /// Which of [`Laid::nodes`] it belongs to; `None`: it is decoration.
    pub(super) node: Option<usize>,
    /// What it is.
    pub(super) what: What,
}

/// What stands on a page. Places are points from the upper left corner.
#[derive(Debug)]
pub(super) enum What {
    /// A line of text whose base line begins at x, y.
    Words {
        x: f64,
        y: f64,
        size: f64,
        strong: bool,
        ink: Ink,
        text: String,
    },
    /// A filled rectangle: x, y, width, height.
    Area(f64, f64, f64, f64, Ink),
    /// A drawing with its upper left corner at x, y, this many times as large.
    Drawing(f64, f64, f64, Drawing),
}

/// What a part of the document means.
#[derive(Debug)]
pub(super) struct Node {
    pub(super) above: Option<usize>,
    pub(super) role: Role,
}

/// The same in the words of PDF.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Role {
    Heading(u16, String),
    Paragraph,
    Table(String),
    Caption,
    Head,
    Body,
    Row,
    ColumnHeading,
    RowHeading,
    Cell,
    /// With the words for those who can't see it.
    Figure(String),
}

struct Layout {
    out: Laid,
    left: f64,
    width: f64,
    bottom: f64,
    /// Where the next thing goes.
    y: f64,
}

/// Gives everything its place.
pub(super) fn layout(document: &Document, paper: Paper) -> Laid {
    let (width, height) = paper.size();
    let mut layout = Layout {
        out: Laid {
            leaves: vec![Vec::new()],
            ..Laid::default()
        },
        left: MARGIN.0,
        width: width - 2.0 * MARGIN.0,
        bottom: height - MARGIN.2,
        y: MARGIN.1,
    };
    layout.heading(1, &document.title, 16.0, 0.0);
    if !document.subtitle.is_empty() {
        let node = layout.node(None, Role::Paragraph);
        layout.text(&document.subtitle, TEXT, false, Ink::Faint, node);
    }
    layout.y += 4.0;
    for (at, block) in document.blocks.iter().enumerate() {
        layout.block(block, document.blocks.get(at + 1));
    }
    layout.feet(&document.foot, height);
    layout.out
}

/// Text that the font can show, everything in it visible.
fn shown(text: &str, strong: bool) -> String {
    fonts::face(strong)
        .writable(&visible(text).replace('\n', "\u{1}"))
        .replace("<U+0001>", "\n")
}

/// Lines that are no wider than `width`: broken between words, and within one that is wider. Each but the last of a paragraph keeps the blank
/// at its end, so that who copies the text has it.
fn lines(text: &str, size: f64, strong: bool, width: f64) -> Vec<String> {
    let text = shown(text, strong);
    let ems = |text: &str| fonts::width(text, size, strong);
    let mut lines = Vec::new();
    for paragraph in text.split('\n') {
        let (mut line, mut filled) = (String::new(), 0.0);
        for word in paragraph.split_inclusive(' ') {
            let needed = ems(word.trim_end());
            if filled + needed > width && !line.is_empty() {
                lines.push(std::mem::take(&mut line));
                filled = 0.0;
            }
            for letter in word.chars() {
                let wide = ems(letter.encode_utf8(&mut [0; 4]));
                if needed > width && letter != ' ' && !line.is_empty() && filled + wide > width {
                    lines.push(std::mem::take(&mut line));
                    filled = 0.0;
                }
                line.push(letter);
                filled += wide;
            }
        }
        lines.push(line);
    }
    lines
}

const fn tint(tone: Tone) -> (Ink, bool) {
    match tone {
        Tone::Plain => (Ink::Words, false),
        Tone::Good => (Ink::Good, false),
        Tone::Warning => (Ink::Warning, true),
        Tone::Bad => (Ink::Bad, true),
    }
}

impl Layout {
    fn node(&mut self, above: Option<usize>, role: Role) -> usize {
        self.out.nodes.push(Node { above, role });
        self.out.nodes.len() - 1
    }

    fn place(&mut self, node: Option<usize>, what: What) {
        if let Some(page) = self.out.leaves.last_mut() {
            page.push(Placed { node, what });
        }
    }

    fn new_page(&mut self) {
        self.out.leaves.push(Vec::new());
        self.y = MARGIN.1;
    }

    /// Room that a page has, and that is left on this one.
    fn room(&self) -> (f64, f64) {
        (self.bottom - MARGIN.1, self.bottom - self.y)
    }

    /// Begins a new page if so much doesn't fit on this one, but would on a new one.
    fn need(&mut self, height: f64) {
        let (whole, left) = self.room();
        if height > left && height <= whole {
            self.new_page();
        }
    }

    fn words(&mut self, node: Option<usize>, x: f64, size: f64, (strong, ink): (bool, Ink), text: String) {
        if !text.is_empty() {
            let y = self.y + size;
            self.place(
                node,
                What::Words {
                    x,
                    y,
                    size,
                    strong,
                    ink,
                    text,
                },
            );
        }
    }

    /// A paragraph, over as many pages as it takes.
    fn text(&mut self, text: &str, size: f64, strong: bool, ink: Ink, node: usize) {
        let lines = lines(text, size, strong, self.width);
        if lines.len() <= WHOLE {
            #[expect(clippy::cast_precision_loss, reason = "a few lines")]
            self.need(lines.len() as f64 * size * LEADING);
        }
        for line in lines {
            self.need(size * LEADING);
            self.words(Some(node), self.left, size, (strong, ink), line);
            self.y += size * LEADING;
        }
    }

    fn heading(&mut self, level: u16, text: &str, size: f64, keep: f64) {
        // A heading without a word has no place in an accessible document.
        let text = if text.trim().is_empty() { "-" } else { text };
        let lines = lines(text, size, true, self.width);
        #[expect(clippy::cast_precision_loss, reason = "a few lines")]
        let height = lines.len() as f64 * size * LEADING;
        self.need(height + keep);
        if level > 1 {
            let page = self.out.leaves.len() - 1;
            self.out.outline.push((shown(text, true), page, self.y));
        }
        let node = self.node(None, Role::Heading(level, shown(text, true)));
        for line in lines {
            self.words(Some(node), self.left, size, (true, Ink::Words), line);
            self.y += size * LEADING;
        }
        if level > 1 {
            self.place(None, What::Area(self.left, self.y, self.width, 0.8, Ink::Words));
            self.y += 5.0;
        }
    }

    fn block(&mut self, block: &Block, next: Option<&Block>) {
        match block {
            Block::Heading(text) => {
                self.y += 12.0;
                let keep = match next {
                    Some(Block::Figure(figure)) => self.figure_height(figure) + 5.0,
                    Some(_) => 64.0,
                    None => 0.0,
                };
                self.heading(2, text, 12.0, keep);
            }
            Block::Text(text) => {
                let node = self.node(None, Role::Paragraph);
                self.text(text, TEXT, false, Ink::Words, node);
                self.y += 4.0;
            }
            Block::Verbatim(text) => {
                let node = self.node(None, Role::Paragraph);
                self.text(text, SMALL, false, Ink::Words, node);
                self.y += 4.0;
            }
            Block::Notice(tone, label, text) => self.notice(*tone, label, text),
            Block::Headline(facts) => self.headline(facts),
            Block::Facts(facts) => self.facts(facts),
            Block::Table(table) => self.table(table),
            Block::Figure(figure) => self.figure(figure),
        }
    }

    fn notice(&mut self, tone: Tone, label: &str, text: &str) {
        const INSIDE: f64 = 9.0;
        let (ink, _) = tint(tone);
        let (left, width) = (self.left, self.width);
        (self.left, self.width) = (left + INSIDE, width - 2.0 * INSIDE);
        let node = self.node(None, Role::Paragraph);
        let labels = lines(&format!("{label} "), TEXT, true, self.width);
        let texts = lines(text, TEXT, false, self.width);
        let all: Vec<(bool, Ink, String)> = labels
            .into_iter()
            .map(|line| (true, ink, line))
            .chain(texts.into_iter().map(|line| (false, Ink::Words, line)))
            .collect();
        let row = TEXT * LEADING;
        #[expect(clippy::cast_precision_loss, reason = "lines of a text")]
        let height = |lines: usize| lines as f64 * row;
        self.need(height(all.len()) + 10.0);
        let mut rest = &all[..];
        while !rest.is_empty() {
            let (_, room) = self.room();
            #[expect(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "lines of a page"
            )]
            let fit = (((room - 10.0) / row).floor().max(1.0) as usize).min(rest.len());
            self.place(
                None,
                What::Area(left, self.y, width, height(fit) + 8.0, Ink::Band),
            );
            let bar = if tone == Tone::Plain { Ink::Faint } else { ink };
            self.place(None, What::Area(left, self.y, 3.0, height(fit) + 8.0, bar));
            self.y += 3.0;
            for (strong, ink, line) in &rest[..fit] {
                self.words(Some(node), self.left, TEXT, (*strong, *ink), line.clone());
                self.y += row;
            }
            self.y += 9.0;
            rest = &rest[fit..];
            if !rest.is_empty() {
                self.new_page();
            }
        }
        (self.left, self.width) = (left, width);
    }

    fn headline(&mut self, facts: &[Fact]) {
        const ACROSS: usize = 4;
        const GAP: f64 = 8.0;
        const INSIDE: f64 = 7.0;
        const LARGE: f64 = 12.5;
        #[expect(clippy::cast_precision_loss, reason = "four")]
        let width = (self.width - GAP * (ACROSS - 1) as f64) / ACROSS as f64;
        for row in facts.chunks(ACROSS) {
            let values: Vec<Vec<String>> = row
                .iter()
                .map(|fact| lines(&fact.value, LARGE, true, width - 2.0 * INSIDE))
                .collect();
            #[expect(clippy::cast_precision_loss, reason = "a few lines")]
            let most = values.iter().map(Vec::len).max().unwrap_or(0) as f64;
            let height = SMALL * LEADING + most * LARGE * 1.2 + 2.0 * INSIDE;
            self.need(height);
            let top = self.y;
            let mut x = self.left;
            for (fact, value) in row.iter().zip(values) {
                let node = self.node(None, Role::Paragraph);
                self.place(None, What::Area(x, top, width, height, Ink::Band));
                self.y = top + INSIDE - 1.0;
                let name = fonts::fitted(&shown(&fact.name, false), SMALL, false, width - 2.0 * INSIDE);
                self.words(
                    Some(node),
                    x + INSIDE,
                    SMALL,
                    (false, Ink::Faint),
                    format!("{name} "),
                );
                self.y += SMALL * LEADING + 1.0;
                let (ink, _) = tint(fact.tone);
                for line in value {
                    self.words(Some(node), x + INSIDE, LARGE, (true, ink), line);
                    self.y += LARGE * 1.2;
                }
                x += width + GAP;
            }
            self.y = top + height + GAP;
        }
    }

    fn facts(&mut self, facts: &[Fact]) {
        const NAMES: f64 = 120.0;
        let row = TEXT * LEADING;
        for fact in facts {
            let (ink, strong) = tint(fact.tone);
            let names = lines(&fact.name, TEXT, false, NAMES - GUTTER);
            let values = lines(&fact.value, TEXT, strong, self.width - NAMES);
            let node = self.node(None, Role::Paragraph);
            let count = names.len().max(values.len());
            #[expect(clippy::cast_precision_loss, reason = "lines of a text")]
            self.need(count as f64 * row + 3.0);
            for at in 0..count {
                self.need(row);
                if let Some(name) = names.get(at) {
                    self.words(
                        Some(node),
                        self.left,
                        TEXT,
                        (false, Ink::Faint),
                        format!("{name} "),
                    );
                }
                if let Some(value) = values.get(at) {
                    self.words(Some(node), self.left + NAMES, TEXT, (strong, ink), value.clone());
                }
                self.y += row;
            }
            self.place(None, What::Area(self.left, self.y, self.width, 0.4, Ink::Grid));
            self.y += 2.5;
        }
        self.y += 4.0;
    }

    fn figure_height(&self, figure: &Figure) -> f64 {
        let scale = self.width / figure.drawing.width.max(1.0);
        #[expect(clippy::cast_precision_loss, reason = "a few lines")]
        let caption = lines(&figure.title, SMALL, false, self.width).len() as f64 * SMALL * LEADING;
        figure.drawing.height * scale + caption + 8.0
    }

    fn figure(&mut self, figure: &Figure) {
        let (whole, _) = self.room();
        let height = self.figure_height(figure);
        self.need(height.min(whole));
        let wide = self.width / figure.drawing.width.max(1.0);
        // One that is taller than a page is made as small as it takes.
        let scale = wide
            * ((whole - (height - figure.drawing.height * wide)) / (figure.drawing.height * wide)).min(1.0);
        let node = self.node(
            None,
            Role::Figure(visible(&format!("{}. {}", figure.title, figure.description))),
        );
        self.place(
            Some(node),
            What::Drawing(self.left, self.y, scale, figure.drawing.clone()),
        );
        self.y += figure.drawing.height * scale + 2.0;
        let node = self.node(None, Role::Paragraph);
        self.text(&figure.title, SMALL, false, Ink::Faint, node);
        self.y += 6.0;
    }

    /// Widths of a table's columns.
    fn widths(&self, table: &Table) -> Vec<f64> {
        let column = |at: usize, measure: &dyn Fn(&str, bool) -> f64| {
            let heading = table
                .columns
                .get(at)
                .map_or(0.0, |column| measure(&column.heading, true));
            table
                .rows
                .iter()
                .filter_map(|row| row.get(at))
                .map(|cell| measure(&cell.text, tint(cell.tone).1))
                .fold(heading, f64::max)
        };
        let whole = |text: &str, strong: bool| {
            shown(text, strong)
                .split('\n')
                .map(|line| fonts::width(line, SMALL, strong))
                .fold(0.0, f64::max)
        };
        let word = |text: &str, strong: bool| {
            shown(text, strong)
                .split([' ', '\n'])
                .map(|word| fonts::width(word, SMALL, strong))
                .fold(0.0, f64::max)
                .min(90.0)
        };
        let columns = table.columns.len();
        let natural: Vec<f64> = (0..columns).map(|at| column(at, &whole) + 0.1).collect();
        #[expect(clippy::cast_precision_loss, reason = "a few columns")]
        let gutters = GUTTER * columns.saturating_sub(1) as f64;
        let room = self.width - gutters;
        let wanted: f64 = natural.iter().sum();
        if wanted <= room {
            #[expect(clippy::cast_precision_loss, reason = "a few columns")]
            let more = ((room - wanted) / columns.max(1) as f64).min(40.0);
            return natural.iter().map(|width| width + more).collect();
        }
        // What is short stays on one line; only long cells give way.
        let least: Vec<f64> = natural
            .iter()
            .enumerate()
            .map(|(at, &natural)| {
                if natural <= SHORT {
                    natural
                } else {
                    column(at, &word) + 0.1
                }
            })
            .collect();
        let needed: f64 = least.iter().sum();
        if needed >= room {
            return least.iter().map(|width| width * room / needed).collect();
        }
        let share = (room - needed) / (wanted - needed);
        least
            .iter()
            .zip(&natural)
            .map(|(least, natural)| least + (natural - least).max(0.0) * share)
            .collect()
    }

    fn table(&mut self, table: &Table) {
        let widths = self.widths(table);
        let sides: Vec<Side> = table.columns.iter().map(|column| column.side).collect();
        let whole_table = self.node(None, Role::Table(shown(&table.caption, false)));
        let heading: Vec<(Vec<String>, bool, Ink)> = table
            .columns
            .iter()
            .zip(&widths)
            .map(|(column, width)| (lines(&column.heading, SMALL, true, *width), true, Ink::Words))
            .collect();
        self.need(SMALL * LEADING * 5.0 + 14.0);
        if !table.caption.is_empty() {
            let caption = self.node(Some(whole_table), Role::Caption);
            self.text(&table.caption, SMALL, false, Ink::Faint, caption);
            self.y += 1.0;
        }
        let top = self.node(Some(whole_table), Role::Head);
        self.head(top, &heading, &widths, &sides, true);
        let body = self.node(Some(whole_table), Role::Body);
        let line_height = SMALL * LEADING;
        #[expect(clippy::cast_precision_loss, reason = "lines of a cell")]
        let height = |lines: usize| lines as f64 * line_height + 3.5;
        for cells in &table.rows {
            let row: Vec<(Vec<String>, bool, Ink)> = cells
                .iter()
                .zip(&widths)
                .map(|(cell, width)| {
                    let (ink, strong) = tint(cell.tone);
                    (lines(&cell.text, SMALL, strong, *width), strong, ink)
                })
                .collect();
            let count = row.iter().map(|(lines, ..)| lines.len()).max().unwrap_or(1);
            let node = self.node(Some(body), Role::Row);
            let cell_nodes: Vec<usize> = (0..row.len())
                .map(|at| {
                    let role = if at == 0 { Role::RowHeading } else { Role::Cell };
                    self.node(Some(node), role)
                })
                .collect();
            let (whole, _) = self.room();
            let mut from = 0;
            while from < count {
                let (_, room) = self.room();
                let heads = height(heading.iter().map(|(lines, ..)| lines.len()).max().unwrap_or(1)) + 2.0;
                // A row that fits on a page of its own isn't torn.
                if height(count - from) > room && (height(count - from) <= whole - heads || room < height(1))
                {
                    self.new_page();
                    // Headings that would leave no room are not said again.
                    if heads < whole / 3.0 {
                        self.head(top, &heading, &widths, &sides, false);
                    }
                }
                let (_, room) = self.room();
                #[expect(
                    clippy::cast_possible_truncation,
                    clippy::cast_sign_loss,
                    reason = "lines of a page"
                )]
                let fit = (((room - 3.5) / line_height).floor().max(1.0) as usize).min(count - from);
                let nodes: Vec<Option<usize>> = cell_nodes.iter().copied().map(Some).collect();
                self.cells(&nodes, &row, &widths, &sides, (from, from + fit));
                from += fit;
            }
            self.place(
                None,
                What::Area(self.left, self.y - 1.0, self.width, 0.4, Ink::Grid),
            );
            self.y += 1.0;
        }
        self.y += 8.0;
    }

    /// The row of headings; on later pages it is there for the eye only.
    fn head(
        &mut self,
        head: usize,
        heading: &[(Vec<String>, bool, Ink)],
        widths: &[f64],
        sides: &[Side],
        first: bool,
    ) {
        let nodes: Vec<Option<usize>> = if first {
            let row = self.node(Some(head), Role::Row);
            heading
                .iter()
                .map(|_| Some(self.node(Some(row), Role::ColumnHeading)))
                .collect()
        } else {
            vec![None; heading.len()]
        };
        let count = heading.iter().map(|(lines, ..)| lines.len()).max().unwrap_or(1);
        self.cells(&nodes, heading, widths, sides, (0, count));
        self.place(
            None,
            What::Area(self.left, self.y - 1.0, self.width, 0.8, Ink::Words),
        );
        self.y += 2.0;
    }

    /// Lines `from` to `to` of a row.
    fn cells(
        &mut self,
        nodes: &[Option<usize>],
        row: &[(Vec<String>, bool, Ink)],
        widths: &[f64],
        sides: &[Side],
        (from, to): (usize, usize),
    ) {
        let top = self.y;
        let mut x = self.left;
        for (((lines, strong, ink), width), (node, side)) in
            row.iter().zip(widths).zip(nodes.iter().zip(sides))
        {
            self.y = top;
            for line in lines.iter().take(to).skip(from) {
                let free = match side {
                    Side::Left => 0.0,
                    Side::Right => width - fonts::width(line.trim_end(), SMALL, *strong),
                };
                // A blank between cells, for who copies the text.
                self.words(
                    *node,
                    x + free,
                    SMALL,
                    (*strong, *ink),
                    format!("{} ", line.trim_end()),
                );
                self.y += SMALL * LEADING;
            }
            x += width + GUTTER;
        }
        #[expect(clippy::cast_precision_loss, reason = "lines of a cell")]
        let height = (to - from) as f64 * SMALL * LEADING;
        self.y = top + height + 2.5;
    }

    /// What stands at the foot of every page.
    fn feet(&mut self, foot: &str, height: f64) {
        const SIZE: f64 = 7.5;
        let count = self.out.leaves.len();
        let foot = shown(foot, false);
        for (at, page) in self.out.leaves.iter_mut().enumerate() {
            let number = format!("page {} of {count}", at + 1);
            let width = fonts::width(&number, SIZE, false);
            let mut words = |x: f64, text: String| {
                page.push(Placed {
                    node: None,
                    what: What::Words {
                        x,
                        y: height - 28.0,
                        size: SIZE,
                        strong: false,
                        ink: Ink::Faint,
                        text,
                    },
                });
            };
            words(self.left + self.width - width, number);
            words(
                self.left,
                fonts::fitted(&foot, SIZE, false, self.width - width - 20.0),
            );
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn text_is_broken_between_words_and_nothing_is_lost() {
        let broken = lines("heat is cut, let it cool", TEXT, false, 60.0);
        assert!(broken.len() > 1 && broken[0].ends_with(' '), "{broken:?}");
        assert_eq!(broken.concat(), "heat is cut, let it cool");
        assert_eq!(lines("a\nb\n", TEXT, false, 60.0), ["a", "b", ""]);
    }

    proptest! {
        #[test]
        fn no_line_is_wider_than_its_column(text in "[a-zA-Z0-9 \n°寸<]{0,120}", width in 20.0..200.0_f64) {
            let broken = lines(&text, TEXT, false, width);
            for line in &broken {
                prop_assert!(fonts::width(line.trim_end(), TEXT, false) <= width + 1e-6, "{line:?}");
            }
            let kept: String = broken.concat();
            prop_assert_eq!(kept, shown(&text, false).replace('\n', ""));
        }
    }
}
