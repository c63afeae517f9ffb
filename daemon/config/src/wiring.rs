//! What is wired to what: references such as `tc1` and `rack/tc1`, and that nothing is wired twice.

use std::collections::{BTreeMap, BTreeSet};

use benchward_core::mistake::{Collector, nearest, quote};
use toml::Spanned;

use crate::{InputRef, OutputRef};

/// Longest id of an input or output, characters. Drivers choose them; this bounds a line on a screen.
const POINT_CHARS_MAX: usize = 64;

/// Every wire seen so far. A station's wires are read with its name and whether it has a driver of its own.
#[derive(Debug)]
pub(crate) struct Wiring {
    instances: BTreeSet<String>,
    inputs: BTreeMap<InputRef, String>,
    outputs: BTreeMap<OutputRef, String>,
}

/// The station that a wire belongs to.
#[derive(Debug, Clone, Copy)]
pub(crate) struct End<'s> {
    pub(crate) station: &'s str,
    /// Whether ids without an instance mean the station's own driver.
    pub(crate) own_driver: bool,
}

impl Wiring {
    /// `instances`: every driver instance of the file, also those with mistakes of their own.
    pub(crate) fn new(instances: BTreeSet<String>) -> Self {
        Self {
            instances,
            inputs: BTreeMap::new(),
            outputs: BTreeMap::new(),
        }
    }

    /// Wires an input. `what`: what it is for, as part of a sentence ("channel `board-top` of `bench-1`").
    pub(crate) fn input(
        &mut self,
        collector: &mut Collector<'_>,
        end: End<'_>,
        what: String,
        reference: &Spanned<&str>,
    ) -> Option<InputRef> {
        let (instance, input) = self.resolve(collector, end, reference)?;
        let shown = format!("{instance}/{input}");
        let wire = InputRef { instance, input };
        once(collector, &mut self.inputs, wire.clone(), &shown, what, reference);
        Some(wire)
    }

    /// Wires an output. `what`: as for [`Wiring::input`].
    pub(crate) fn output(
        &mut self,
        collector: &mut Collector<'_>,
        end: End<'_>,
        what: String,
        reference: &Spanned<&str>,
    ) -> Option<OutputRef> {
        let (instance, output) = self.resolve(collector, end, reference)?;
        let shown = format!("{instance}/{output}");
        let wire = OutputRef { instance, output };
        once(
            collector,
            &mut self.outputs,
            wire.clone(),
            &shown,
            what,
            reference,
        );
        Some(wire)
    }

    fn resolve(
        &self,
        collector: &mut Collector<'_>,
        end: End<'_>,
        reference: &Spanned<&str>,
    ) -> Option<(String, String)> {
        let written = *reference.get_ref();
        let (instance, point) = match written.split_once('/') {
            Some((instance, point)) => (instance, point),
            None if end.own_driver => (end.station, written),
            None => {
                let example = if self.instances.len() == 1 {
                    format!("{}/{written}", self.instances.first()?)
                } else {
                    format!("INSTANCE/{written}")
                };
                collector.add(
                    reference.span(),
                    format!(
                        "{} names no driver instance, and station `{}` has no driver of its own",
                        quote(written),
                        end.station
                    ),
                    format!(
                        "write `\"{example}\"`{}, or give the station a `driver = {{ program = \"...\" }}`",
                        self.listed()
                    ),
                );
                return None;
            }
        };
        if point.trim() != point || point.is_empty() || point.contains('/') {
            collector.add(
                reference.span(),
                format!("{} is not the id of an input or output", quote(written)),
                "write the id alone (`tc1`), or an instance and the id (`rack/tc1`)",
            );
            return None;
        }
        let chars = point.chars().count();
        if chars > POINT_CHARS_MAX {
            collector.add(
                reference.span(),
                format!("an id of {chars} characters is above the limit of {POINT_CHARS_MAX}"),
                "shorten it where the driver gives it",
            );
            return None;
        }
        if !self.instances.contains(instance) {
            let fix = match nearest(instance, self.instances.iter().map(String::as_str)) {
                Some(meant) => format!("did you mean `{meant}/{point}`?"),
                None => {
                    format!(
                        "add `[driver.{instance}]` with its `program`, or name another instance{}",
                        self.listed()
                    )
                }
            };
            collector.add(
                reference.span(),
                format!(
                    "{} names the driver instance {}, which isn't in this file",
                    quote(written),
                    quote(instance)
                ),
                fix,
            );
            return None;
        }
        Some((instance.to_owned(), point.to_owned()))
    }

    /// The instances there are, for a sentence.
    fn listed(&self) -> String {
        const LISTED_MAX: usize = 8;
        if self.instances.is_empty() || self.instances.len() > LISTED_MAX {
            return String::new();
        }
        format!(
            " (there is {})",
            self.instances
                .iter()
                .map(String::as_str)
                .collect::<Vec<_>>()
                .join(", ")
        )
    }
}

/// Notes the wire, and the mistake if there is one already.
fn once<W: Ord>(
    collector: &mut Collector<'_>,
    wired: &mut BTreeMap<W, String>,
    wire: W,
    shown: &str,
    what: String,
    reference: &Spanned<&str>,
) {
    if let Some(first) = wired.get(&wire) {
        collector.add(
            reference.span(),
            format!("`{shown}` is wired twice: as {first} and as {what}"),
            "wire it once",
        );
    } else {
        wired.insert(wire, what);
    }
}
