//! Pages for people who were not there: headings, tables and charts as one HTML file or as PDF.
//!
//! What a report says is somebody else's business. Here is how it is written down: a [`Document`] is made of [`Block`]s, a chart is
//! a [`Drawing`] that [`chart`] makes of data, and [`html`] and [`pdf`] write both. Pure: data in, text or bytes out; no I/O, no clock, no
//! randomness, so that the same document is the same file, to the bit.
//!
//! * All text may come from strangers. It goes through [`visible`] and each writer's own escaping, in one place per writer.
//! * Nothing is said by colour alone: lines differ by dash and mark, words say what is good and what is not.
//! * Units are part of the text. Nothing here knows a temperature.

pub mod chart;
pub mod document;
pub mod drawing;
pub mod html;
pub mod ink;
pub mod pdf;

mod fonts;
mod text;

pub use document::{Block, Cell, Column, Document, Fact, Figure, Side, Table, Tone};
pub use drawing::Drawing;
pub use text::visible;
