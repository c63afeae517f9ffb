//! A document as PDF: the same content as [`crate::html`], on A4 or Letter, with the font in it and charts as vectors.
//!
//! It is tagged, so that a screen reader finds headings, tables with their headings, and words for charts; the writer checks it against
//! PDF/UA-1 as far as a program can. First everything gets its place (`layout`), then it is written (`write`).

mod layout;
mod write;

use crate::Document;

/// A size of paper.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Paper {
    /// 210 x 297 mm.
    A4,
    /// 8.5 x 11 in.
    Letter,
}

impl Paper {
    /// Width and height, points.
    pub const fn size(self) -> (f64, f64) {
        match self {
            Self::A4 => (595.276, 841.89),
            Self::Letter => (612.0, 792.0),
        }
    }
}

/// The document as a PDF file.
///
/// # Errors
/// In words, where the PDF library refuses the document: that is a mistake of this program, whatever the text in it.
pub fn pdf(document: &Document, paper: Paper) -> Result<Vec<u8>, String> {
    write::write(document, &layout::layout(document, paper), paper)
}

#[cfg(test)]
mod tests;
