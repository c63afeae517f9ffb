//! What a report is made of.

use crate::Drawing;

/// A report.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Document {
    /// Its title: of the window and of the file, and its first heading.
    pub title: String,
    /// One line below it.
    pub subtitle: String,
    /// What it is, for readers and archives that list documents.
    pub description: String,
    /// What stands at the foot of every page of paper.
    pub foot: String,
    /// The rest, in the order of reading.
    pub blocks: Vec<Block>,
}

/// A part of a report.
#[derive(Debug, Clone, PartialEq)]
pub enum Block {
    /// Begins a section.
    Heading(String),
    /// A paragraph.
    Text(String),
    /// What must not be missed: a word that says what it is, and text.
    Notice(Tone, String, String),
    /// A few facts that are looked for first, large.
    Headline(Vec<Fact>),
    /// Names and values below each other.
    Facts(Vec<Fact>),
    /// A table.
    Table(Table),
    /// A chart.
    Figure(Figure),
    /// Text as it was written, such as a recipe.
    Verbatim(String),
}

/// What a word says beside its meaning. Never by colour alone: [`Tone::Bad`] and [`Tone::Warning`] are bold as well.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Tone {
    /// As it comes.
    #[default]
    Plain,
    /// As it should be.
    Good,
    /// A person should look.
    Warning,
    /// Failed, tripped.
    Bad,
}

/// A name and a value.
#[derive(Debug, Clone, PartialEq)]
pub struct Fact {
    /// The name.
    pub name: String,
    /// The value, with its unit.
    pub value: String,
    /// Its tone.
    pub tone: Tone,
}

/// A table. The first column names its row.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Table {
    /// What it shows.
    pub caption: String,
    /// Its columns.
    pub columns: Vec<Column>,
    /// Its rows, each with a cell per column.
    pub rows: Vec<Vec<Cell>>,
}

/// A column.
#[derive(Debug, Clone, PartialEq)]
pub struct Column {
    /// Its heading.
    pub heading: String,
    /// At which side its cells stand.
    pub side: Side,
}

/// A side.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Side {
    /// For words.
    Left,
    /// For figures.
    Right,
}

/// A cell.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Cell {
    /// Its text.
    pub text: String,
    /// Its tone.
    pub tone: Tone,
}

/// A chart with words for those who can't see it.
#[derive(Debug, Clone, PartialEq)]
pub struct Figure {
    /// What it shows; stands below it.
    pub title: String,
    /// What is to be seen in it, in sentences.
    pub description: String,
    /// The chart.
    pub drawing: Drawing,
}

impl Fact {
    /// One.
    pub fn new(name: impl Into<String>, value: impl Into<String>) -> Self {
        Self {
            name: name.into(),
            value: value.into(),
            tone: Tone::Plain,
        }
    }

    /// The same with a tone.
    #[must_use]
    pub fn tone(mut self, tone: Tone) -> Self {
        self.tone = tone;
        self
    }
}

impl Table {
    /// An empty one.
    pub fn new(caption: impl Into<String>, columns: &[(&str, Side)]) -> Self {
        Self {
            caption: caption.into(),
            columns: columns
                .iter()
                .map(|&(heading, side)| Column {
                    heading: heading.into(),
                    side,
                })
                .collect(),
            rows: Vec::new(),
        }
    }

    /// Adds a row. Cells that are missing are empty; there are no more than columns.
    pub fn row<C: Into<Cell>>(&mut self, cells: impl IntoIterator<Item = C>) {
        let mut cells: Vec<Cell> = cells.into_iter().map(Into::into).collect();
        cells.resize(self.columns.len(), Cell::default());
        self.rows.push(cells);
    }
}

impl From<String> for Cell {
    fn from(text: String) -> Self {
        Self {
            text,
            tone: Tone::Plain,
        }
    }
}

impl From<&str> for Cell {
    fn from(text: &str) -> Self {
        text.to_owned().into()
    }
}

impl From<(String, Tone)> for Cell {
    fn from((text, tone): (String, Tone)) -> Self {
        Self { text, tone }
    }
}
