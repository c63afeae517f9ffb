//! From places to the file.

use std::num::NonZeroU16;

use krilla::configure::{Configuration, Validator};
use krilla::destination::XyzDestination;
use krilla::geom::{Path, PathBuilder, Point, Rect, Transform};
use krilla::metadata::Metadata;
use krilla::num::NormalizedF32;
use krilla::outline::{Outline, OutlineNode};
use krilla::page::PageSettings;
use krilla::paint::{Fill, FillRule, LineCap, LineJoin, Stroke, StrokeDash};
use krilla::surface::Surface;
use krilla::tagging::{
    ArtifactType, ContentTag, Identifier, SpanTag, TableHeaderScope, Tag, TagGroup, TagKind, TagTree,
};
use krilla::text::{Font, GlyphId, KrillaGlyph};
use krilla::{Document as Pdf, SerializeSettings, color};

use crate::document::Document;
use crate::drawing::{self, Anchor, Drawing, Mark, Shape};
use crate::fonts;
use crate::ink::Ink;
use crate::visible;

use super::Paper;
use super::layout::{Laid, Role, What};

#[expect(
    clippy::cast_possible_truncation,
    reason = "places on a page; a file of this kind holds single precision"
)]
const fn single(value: f64) -> f32 {
    value as f32
}

struct Fonts {
    regular: Font,
    bold: Font,
}

/// Writes what has its places.
pub(super) fn write(document: &Document, laid: &Laid, paper: Paper) -> Result<Vec<u8>, String> {
    let font = |data: &'static [u8]| {
        Font::new(data.to_vec().into(), 0).ok_or("a font of this program can't be read")
    };
    let fonts = Fonts {
        regular: font(fonts::REGULAR)?,
        bold: font(fonts::BOLD)?,
    };
    let mut pdf = Pdf::new_with(SerializeSettings {
        configuration: Configuration::new_with_validator(Validator::UA1),
        ..SerializeSettings::default()
    });
    pdf.set_metadata(
        Metadata::new()
            .title(visible(&document.title))
            .description(visible(&document.description))
            .language("en".into())
            .creator("Benchward".into()),
    );
    let (width, height) = paper.size();
    let mut found: Vec<Vec<Identifier>> = laid.nodes.iter().map(|_| Vec::new()).collect();
    for placed in &laid.leaves {
        let size = PageSettings::from_wh(single(width), single(height)).ok_or("the paper has no size")?;
        let mut page = pdf.start_page_with(size);
        let mut surface = page.surface();
        for one in placed {
            let tag = match (&one.node, &one.what) {
                (None, _) => ContentTag::Artifact(ArtifactType::Other),
                (Some(_), What::Words { .. }) => ContentTag::Span(SpanTag::empty()),
                (Some(_), _) => ContentTag::Other,
            };
            let identifier = surface.start_tagged(tag);
            draw(&mut surface, &fonts, &one.what);
            surface.end_tagged();
            if let Some(node) = one.node {
                found[node].push(identifier);
            }
        }
        surface.finish();
        page.finish();
    }
    let mut outline = Outline::new();
    for (text, page, y) in &laid.outline {
        let at = XyzDestination::new(*page, Point::from_xy(0.0, single((y - 8.0).max(0.0))));
        outline.push_child(OutlineNode::new(text.clone(), at));
    }
    pdf.set_outline(outline);
    pdf.set_tag_tree(tree(laid, found));
    pdf.finish()
        .map_err(|error| format!("the PDF can't be made: {error:?}"))
}

/// Roles with what is drawn of them. From the last to the first, since parents come first.
fn tree(laid: &Laid, found: Vec<Vec<Identifier>>) -> TagTree {
    let mut children: Vec<Vec<TagGroup>> = laid.nodes.iter().map(|_| Vec::new()).collect();
    let mut top = Vec::new();
    for (at, (node, leaves)) in laid.nodes.iter().zip(found).enumerate().rev() {
        let mut group = TagGroup::new(kind(&node.role));
        for leaf in leaves {
            group.push(leaf);
        }
        for child in children[at].drain(..).rev() {
            group.push(child);
        }
        match node.above {
            Some(above) => children[above].push(group),
            None => top.push(group),
        }
    }
    let mut tree = TagTree::new().with_lang(Some("en".into()));
    for group in top.into_iter().rev() {
        tree.push(group);
    }
    tree
}

fn kind(role: &Role) -> TagKind {
    match role {
        Role::Heading(level, text) => Tag::Hn(
            NonZeroU16::new(*level).unwrap_or(NonZeroU16::MIN),
            Some(text.clone()),
        )
        .into(),
        Role::Paragraph => Tag::P.into(),
        Role::Table(caption) => Tag::Table.with_summary(Some(caption.clone())).into(),
        Role::Caption => Tag::Caption.into(),
        Role::Head => Tag::THead.into(),
        Role::Body => Tag::TBody.into(),
        Role::Row => Tag::TR.into(),
        Role::ColumnHeading => Tag::TH(TableHeaderScope::Column).into(),
        Role::RowHeading => Tag::TH(TableHeaderScope::Row).into(),
        Role::Cell => Tag::TD.into(),
        Role::Figure(words) => Tag::Figure(Some(words.clone())).into(),
    }
}

fn draw(surface: &mut Surface<'_>, fonts: &Fonts, what: &What) {
    match what {
        What::Words {
            x,
            y,
            size,
            strong,
            ink,
            text,
        } => words(surface, fonts, (*x, *y), (*size, *strong), *ink, text),
        What::Area(x, y, width, height, ink) => {
            let mut path = PathBuilder::new();
            if let Some(rect) = Rect::from_xywh(single(*x), single(*y), single(*width), single(*height)) {
                path.push_rect(rect);
            }
            fill(surface, path.finish(), *ink);
        }
        What::Drawing(x, y, scale, drawing) => {
            surface.push_transform(&Transform::from_row(
                single(*scale),
                0.0,
                0.0,
                single(*scale),
                single(*x),
                single(*y),
            ));
            picture(surface, fonts, drawing);
            surface.pop();
        }
    }
}

fn rgb(ink: Ink) -> color::rgb::Color {
    let [red, green, blue] = ink.light();
    color::rgb::Color::new(red, green, blue)
}

fn fill(surface: &mut Surface<'_>, path: Option<Path>, ink: Ink) {
    surface.set_stroke(None);
    surface.set_fill(Some(Fill {
        paint: rgb(ink).into(),
        opacity: NormalizedF32::ONE,
        rule: FillRule::NonZero,
    }));
    if let Some(path) = path {
        surface.draw_path(&path);
    }
}

fn stroke(surface: &mut Surface<'_>, path: Option<Path>, ink: Ink, width: f64, dash: &[f64]) {
    surface.set_fill(None);
    surface.set_stroke(Some(Stroke {
        paint: rgb(ink).into(),
        width: single(width),
        miter_limit: 4.0,
        line_cap: LineCap::Butt,
        line_join: LineJoin::Round,
        opacity: NormalizedF32::ONE,
        dash: (!dash.is_empty()).then(|| StrokeDash {
            array: dash.iter().copied().map(single).collect(),
            offset: 0.0,
        }),
    }));
    if let Some(path) = path {
        surface.draw_path(&path);
    }
}

fn words(
    surface: &mut Surface<'_>,
    fonts: &Fonts,
    at: drawing::Point,
    (size, strong): (f64, bool),
    ink: Ink,
    text: &str,
) {
    let face = fonts::face(strong);
    let glyphs: Vec<KrillaGlyph> = text
        .char_indices()
        .filter_map(|(from, letter)| {
            let (glyph, width) = face.glyph(letter)?;
            Some(KrillaGlyph::new(
                GlyphId::new(glyph.to_u32()),
                width,
                0.0,
                0.0,
                0.0,
                from..from + letter.len_utf8(),
                None,
            ))
        })
        .collect();
    fill(surface, None, ink);
    let font = if strong { &fonts.bold } else { &fonts.regular };
    surface.draw_glyphs(
        Point::from_xy(single(at.0), single(at.1)),
        &glyphs,
        font.clone(),
        text,
        single(size),
        false,
    );
}

fn polygon(points: impl IntoIterator<Item = drawing::Point>, closed: bool) -> Option<Path> {
    let mut path = PathBuilder::new();
    for (at, (x, y)) in points.into_iter().enumerate() {
        if at == 0 {
            path.move_to(single(x), single(y));
        } else {
            path.line_to(single(x), single(y));
        }
    }
    if closed {
        path.close();
    }
    path.finish()
}

fn picture(surface: &mut Surface<'_>, fonts: &Fonts, drawing: &Drawing) {
    for shape in &drawing.shapes {
        match shape {
            Shape::Area { points, ink } => fill(surface, polygon(points.iter().copied(), true), *ink),
            Shape::Line {
                points,
                stroke: style,
            } => stroke(
                surface,
                polygon(points.iter().copied(), false),
                style.ink,
                style.width,
                style.dash.lengths(),
            ),
            Shape::Marker { at, mark, ink } => {
                for points in mark.outline() {
                    let moved = points.into_iter().map(|(x, y)| (x + at.0, y + at.1));
                    if mark.filled() {
                        fill(surface, polygon(moved, true), *ink);
                    } else {
                        stroke(surface, polygon(moved, *mark == Mark::Ring), *ink, 1.3, &[]);
                    }
                }
            }
            Shape::Words {
                at,
                anchor,
                text,
                size,
                ink,
                strong,
            } => {
                let text = fonts::face(*strong).writable(&visible(text));
                let width = fonts::width(&text, *size, *strong);
                let left = match anchor {
                    Anchor::Start => at.0,
                    Anchor::Middle => at.0 - width / 2.0,
                    Anchor::End => at.0 - width,
                };
                words(surface, fonts, (left, at.1), (*size, *strong), *ink, &text);
            }
        }
    }
}
