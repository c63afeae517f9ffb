//! What the live view looks like: a function from a scene to a frame, nothing else.
//!
//! Everything is said in words and figures; colour only repeats it. In ASCII every letter that isn't one is replaced at the end.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use benchward_api::shapes;
use benchward_archive::Wall;
use ratatui::Frame;
use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::{Color, Modifier, Style};

use super::big;
use super::chart::{Chart, Curve, Level};
use super::course::{Course, IDLE_S};
use crate::degrees;
use crate::figures::{NONE, celsius, clock, clock_or_none, count, percent};
use crate::foretold;
use crate::screen::{Tone, wrapped};
use crate::spoken::spoken;
use crate::status::{self, Need, Next, Said};

/// Between the big figure and the facts beside it.
const GAP: u16 = 3;

/// From these columns and rows on, the big figure is twice as large.
const LARGE: (u16, u16) = (120, 40);

/// Which page is shown.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Page {
    All,
    One(String),
}

/// What is known of the lab.
#[derive(Debug, Clone)]
pub(crate) enum News {
    /// This, just now.
    Lab(Box<shapes::Status>),
    /// Nobody answers; why, in words. Old figures would be taken for new ones.
    Nobody(String),
}

/// How it may be drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Look {
    pub(crate) colour: bool,
    pub(crate) ascii: bool,
}

/// All that a frame is made of.
#[derive(Debug)]
pub(crate) struct Scene<'s> {
    pub(crate) news: &'s News,
    pub(crate) page: &'s Page,
    /// The bench that keys are about.
    pub(crate) chosen: Option<&'s str>,
    pub(crate) courses: &'s BTreeMap<String, Course>,
    /// What came of the last key.
    pub(crate) answer: Option<(Tone, &'s str)>,
    pub(crate) look: Look,
}

impl Look {
    fn tone(self, tone: Tone) -> Style {
        if !self.colour {
            return Style::new();
        }
        match tone {
            Tone::Danger => Style::new().fg(Color::Red).add_modifier(Modifier::BOLD),
            Tone::Warning => Style::new().fg(Color::Yellow),
            Tone::Good => Style::new().fg(Color::Green),
            Tone::Strong => Style::new().add_modifier(Modifier::BOLD),
            Tone::Faint => Style::new().add_modifier(Modifier::DIM),
            Tone::Plain => Style::new(),
        }
    }

    /// Colours of curves: none that says danger or warning.
    fn curve(self, at: usize) -> Style {
        const COLOURS: [Color; 5] = [
            Color::Cyan,
            Color::Magenta,
            Color::Green,
            Color::Blue,
            Color::LightMagenta,
        ];
        if self.colour {
            Style::new().fg(COLOURS[at % COLOURS.len()])
        } else {
            Style::new()
        }
    }

    /// A plate that nobody overlooks, where there is colour.
    fn plate(self, tone: Tone) -> Style {
        if !self.colour {
            return Style::new();
        }
        match tone {
            Tone::Danger => Style::new()
                .bg(Color::Red)
                .fg(Color::White)
                .add_modifier(Modifier::BOLD),
            _ => Style::new().bg(Color::Yellow).fg(Color::Black),
        }
    }
}

/// Draws the scene.
pub(crate) fn draw(scene: &Scene<'_>, frame: &mut Frame<'_>) {
    let area = frame.area();
    let buffer = frame.buffer_mut();
    if area.width < 20 || area.height < 6 {
        buffer.set_stringn(
            area.x,
            area.y,
            "too small to show",
            area.width.into(),
            Style::new(),
        );
        return;
    }
    let foot = foot(scene, area, buffer);
    let body = Rect::new(area.x, area.y, area.width, area.height - foot);
    match (scene.news, scene.page) {
        (News::Nobody(why), _) => nobody(scene.look, why, body, buffer),
        (News::Lab(lab), Page::All) => all(scene, lab, body, buffer),
        (News::Lab(lab), Page::One(name)) => {
            match lab.stations.iter().find(|station| station.station == *name) {
                Some(station) => one(scene, lab, station, body, buffer),
                None => nobody(scene.look, &format!("there is no station `{name}`"), body, buffer),
            }
        }
    }
    if scene.look.ascii {
        plain(area, buffer);
    }
}

/// No letter but ASCII.
fn plain(area: Rect, buffer: &mut Buffer) {
    for position in area.positions() {
        let cell = &mut buffer[position];
        if !cell.symbol().is_ascii() {
            cell.set_symbol(match cell.symbol() {
                "█" => "#",
                "°" => "'",
                "±" => "~",
                "▸" => ">",
                "·" => ".",
                _ => "?",
            });
        }
    }
}

/// Writes from row to row, and stops at the end of its area.
struct Pen<'b> {
    area: Rect,
    row: u16,
    buffer: &'b mut Buffer,
}

impl<'b> Pen<'b> {
    const fn new(area: Rect, buffer: &'b mut Buffer) -> Self {
        Self { area, row: 0, buffer }
    }

    fn line(&mut self, text: &str, style: Style) {
        self.line_at(0, text, style);
    }

    fn line_at(&mut self, column: u16, text: &str, style: Style) {
        self.put(column, text, style);
        self.row += 1;
    }

    /// On this row, and stays there.
    fn put(&mut self, column: u16, text: &str, style: Style) {
        if self.row < self.area.height {
            let width = self.area.width.saturating_sub(column);
            self.buffer.set_stringn(
                self.area.x + column.min(self.area.width),
                self.area.y + self.row,
                text,
                width.into(),
                style,
            );
        }
    }

    /// A text over as many rows as it takes, further rows indented.
    fn text(&mut self, column: u16, text: &str, style: Style) {
        for piece in wrapped(text, usize::from(self.area.width.saturating_sub(column + 1))) {
            self.line_at(column, &piece, style);
        }
    }
}

/// Keys and the answer to the last one, at the bottom. Returns how many rows that takes.
fn foot(scene: &Scene<'_>, area: Rect, buffer: &mut Buffer) -> u16 {
    let mut keys: Vec<(String, Tone)> = Vec::new();
    let mut key = |text: &str, tone| keys.push((text.to_owned(), tone));
    if let News::Lab(lab) = scene.news {
        let station = scene
            .chosen
            .and_then(|name| lab.stations.iter().find(|station| station.station == name));
        if let Some(station) = station {
            let standing = |wanted: &str| {
                station
                    .interlocks
                    .iter()
                    .any(|interlock| interlock.standing == wanted)
            };
            key(&format!("{:.12}:", station.station), Tone::Plain);
            let seen = if standing("tripped") {
                Tone::Strong
            } else {
                Tone::Faint
            };
            key("a seen", seen);
            let here = if standing("warning") {
                Tone::Strong
            } else {
                Tone::Plain
            };
            key("p here", here);
            key("s stop", Tone::Plain);
            key("|", Tone::Faint);
        }
        key("x STOP ALL", Tone::Strong);
        key("|", Tone::Faint);
        key("1-9 bench", Tone::Faint);
        match scene.page {
            Page::All => key("enter open", Tone::Faint),
            Page::One(_) => key("esc all", Tone::Faint),
        }
    }
    key("q quit", Tone::Faint);
    let row = area.y + area.height - 1;
    let mut column = area.x + 1;
    for (text, tone) in keys {
        let width = u16::try_from(text.chars().count()).unwrap_or(area.width);
        if column + width > area.x + area.width {
            break;
        }
        buffer.set_string(column, row, &text, scene.look.tone(tone));
        column += width + if text.ends_with(':') || text == "|" { 1 } else { 2 };
    }
    let Some((tone, answer)) = scene.answer else {
        return 2;
    };
    let pieces = wrapped(answer, usize::from(area.width - 2));
    let rows = u16::try_from(pieces.len().min(3)).unwrap_or(1);
    for (at, piece) in pieces.iter().take(3).enumerate() {
        let at = u16::try_from(at).unwrap_or(0);
        buffer.set_string(area.x + 1, row - rows + at, piece, scene.look.tone(tone));
    }
    rows + 1
}

/// Nobody answers.
fn nobody(look: Look, why: &str, area: Rect, buffer: &mut Buffer) {
    let mut pen = Pen::new(area, buffer);
    let said = Said {
        tone: Tone::Danger,
        text: why.to_owned(),
        next: None,
    };
    plate(
        &mut pen,
        look,
        "NO DAEMON",
        Tone::Danger,
        &[said],
        "",
        &[
            "Heat lapses by itself within 1.5 s of the daemon's last word.",
            "If a bench is hot and you are in doubt, use its emergency stop. Trying again.",
        ],
        area.height,
    );
}

/// A framed text over the whole width that is as loud without colour: a word at its top, then what happened and what to do now.
#[expect(
    clippy::too_many_arguments,
    reason = "one place, and a struct for it would say the same twice"
)]
fn plate(
    pen: &mut Pen<'_>,
    look: Look,
    word: &str,
    tone: Tone,
    said: &[Said],
    station: &str,
    then: &[&str],
    rows_max: u16,
) {
    let style = look.plate(tone);
    let width = usize::from(pen.area.width);
    let mark = if tone == Tone::Danger { "!" } else { "-" };
    let inner = width.saturating_sub(6);
    let mut lines: Vec<String> = Vec::new();
    for said in said {
        lines.extend(wrapped(&said.text, inner));
        for next in to_do(said, station) {
            let next = wrapped(&next, inner);
            // Once is enough where several say the same.
            if !next.iter().all(|piece| lines.contains(piece)) {
                lines.extend(next);
            }
        }
    }
    lines.extend(then.iter().flat_map(|line| wrapped(line, inner)));
    let head = format!("{} {word} ", mark.repeat(3));
    let room = usize::from(rows_max).saturating_sub(2).max(1);
    let cut = lines.len() > room;
    lines.truncate(room);
    let bar = |text: &str| {
        format!(
            "{text}{}",
            mark.repeat(width.saturating_sub(text.chars().count()))
        )
    };
    pen.line(&bar(&head), style);
    for line in &lines {
        pen.line(&format!("{mark}  {line:<inner$}  {mark}"), style);
    }
    let tail = if cut { "(more: make the window larger)" } else { "" };
    pen.line(&bar(tail), style);
}

/// What a person does, a line each: the key where there is one, else the command. What the text says itself isn't said again.
fn to_do(said: &Said, station: &str) -> Vec<String> {
    let Some(next) = said.next else { return Vec::new() };
    let command = next.command(station);
    match next {
        Next::Acknowledge => {
            let mut lines = vec!["NOW:  press a: you have seen it. Heat stays off".to_owned()];
            let reset = Next::Reset.command(station);
            if !said.text.contains(&reset) {
                lines.push(format!("THEN: once its cause is gone, `{reset}`"));
            }
            lines
        }
        Next::Present => vec!["NOW:  press p: you are at the bench".into()],
        Next::Reset => vec![format!("NOW:  once its cause is gone, `{command}`")],
        Next::Confirm => vec![format!("NOW:  look at the sensors, then `{command}`")],
        Next::Resume => vec![format!("NOW:  to go on, `{command}`")],
    }
}

/// The line at the top.
fn title(lab: &shapes::Status, left: &str, style: Style, look: Look, pen: &mut Pen<'_>) {
    let time = lab
        .at
        .get(11..19)
        .map_or(String::new(), |time| format!("{time}Z "));
    let width = u16::try_from(time.chars().count()).unwrap_or(0);
    let right = pen.area.width.saturating_sub(width);
    let room = usize::from(right.saturating_sub(2));
    pen.put(right, &time, look.tone(Tone::Faint));
    pen.line(&left.chars().take(room).collect::<String>(), style);
}

/// Alarms of the whole lab: on every page, above all else.
fn alarms(lab: &shapes::Status, look: Look, pen: &mut Pen<'_>) {
    for alarm in &lab.alarms {
        let seen = alarm.standing != "tripped";
        let said = Said {
            tone: Tone::Danger,
            text: spoken(&alarm.text).into_owned(),
            next: None,
        };
        let next = if seen { Next::Reset } else { Next::Acknowledge };
        let then = format!("NOW: `{}`", next.command(&alarm.station));
        plate(
            pen,
            look,
            "ALARM OF THE WHOLE LAB",
            Tone::Danger,
            &[said],
            &alarm.station,
            &[&then],
            8,
        );
    }
}

/// How long until heat ends, with the range that was foretold; a word where nobody can say.
fn left(station: &shapes::Station, at: Option<Wall>) -> Option<String> {
    let moment = &station.prediction.as_ref()?.heat_ends;
    if moment.past {
        return None;
    }
    let until = |time: &Option<String>| {
        let (time, at) = (time.as_deref()?.parse::<Wall>().ok()?, at?);
        #[expect(clippy::cast_precision_loss, reason = "milliseconds of a run")]
        Some((time.0 - at.0) as f64 / 1_000.0)
    };
    match (until(&moment.at), until(&moment.earliest), until(&moment.latest)) {
        (Some(likely), Some(earliest), Some(latest)) => Some(format!(
            "{}, between {} and {}",
            clock(likely),
            clock(earliest),
            clock(latest)
        )),
        _ => Some(spoken(&moment.text).into_owned()),
    }
}

/// The shortest of it, for a row: `4:30`.
fn left_short(station: &shapes::Station, at: Option<Wall>) -> String {
    match left(station, at) {
        Some(text) if text.starts_with(|letter: char| letter.is_ascii_digit()) => {
            text.split(',').next().unwrap_or(NONE).to_owned()
        }
        Some(_) => "?".into(),
        None => NONE.into(),
    }
}

/// The lab's time of what is shown.
fn wall(lab: &shapes::Status) -> Option<Wall> {
    lab.at.parse().ok()
}

/// All benches, a row each, worst first, each with what a person should know of it.
fn all(scene: &Scene<'_>, lab: &shapes::Status, area: Rect, buffer: &mut Buffer) {
    let look = scene.look;
    let mut pen = Pen::new(area, buffer);
    let stations = status::worst_first(lab);
    let needing = stations
        .iter()
        .filter(|one| Need::of(one) >= Need::DriverDown)
        .count();
    let needs = match needing {
        0 => "nobody is needed".to_owned(),
        1 => "1 needs somebody".to_owned(),
        many => format!("{many} need somebody"),
    };
    let title_text = format!(
        " {}: {}, {needs}; ceiling {}",
        lab.lab,
        count(stations.len(), "bench", "benches"),
        celsius(Some(lab.ceiling_celsius))
    );
    title(lab, &title_text, look.tone(Tone::Strong), look, &mut pen);
    pen.row += 1;
    alarms(lab, look, &mut pen);
    let wide = area.width >= 100;
    let name_width = stations
        .iter()
        .map(|one| one.station.chars().count())
        .max()
        .unwrap_or(0)
        .clamp(5, if wide { 24 } else { 12 });
    // What the other columns leave: `dwell 10/12 WARNING` has room at the side of a short name.
    let others = if wide { 68 } else { 54 };
    let state_width = usize::from(area.width)
        .saturating_sub(others + name_width)
        .clamp(7, 20);
    let row = |cells: [&str; 9]| {
        let [sign, number, name, state, control, target, heat, left, presence] = cells;
        let heat_width = if wide { 19 } else { 5 };
        format!(
            "{sign:<4}{number:>2} {name:<name_width$.name_width$} {state:<state_width$.state_width$} {control:>10} {target:>9} \
             {heat:>heat_width$} {left:>8} {presence:>9}"
        )
    };
    pen.line(
        &row([
            "", "", "BENCH", "STATE", "CONTROL", "TARGET", "HEAT", "LEFT", "PRESENCE",
        ]),
        look.tone(Tone::Faint),
    );
    // Rows and what belongs to them, put together before it is known what fits.
    let mut lines: Vec<(String, Tone)> = Vec::new();
    let mut chosen_at = 0;
    let at = wall(lab);
    for station in stations {
        let need = Need::of(station);
        let chosen = scene.chosen == Some(&station.station);
        if chosen {
            chosen_at = lines.len();
        }
        let number = lab
            .stations
            .iter()
            .position(|one| one.station == station.station)
            .filter(|at| *at < 9)
            .map_or(String::new(), |at| (at + 1).to_string());
        let heat = if wide {
            format!(
                "{} {:>6}",
                status::bar_of(10, station.heat),
                percent(station.heat)
            )
        } else {
            percent(station.heat)
        };
        let sign = format!("{}{}", if chosen { ">" } else { " " }, need.mark());
        lines.push((
            row([
                &sign,
                &number,
                &station.station,
                &status::state(station),
                &status::control(station),
                &celsius(station.target_celsius),
                &heat,
                &left_short(station, at),
                &clock_or_none(station.presence_left_s),
            ]),
            need.tone(),
        ));
        // A block of marks at the left is seen from afar where there is no colour.
        let margin = if need >= Need::Acknowledged {
            " !!    "
        } else {
            "       "
        };
        for said in status::said(station) {
            let inner = usize::from(area.width.saturating_sub(8));
            lines.extend(
                wrapped(&said.text, inner)
                    .into_iter()
                    .map(|piece| (format!("{margin}{piece}"), said.tone)),
            );
            for next in to_do(&said, &station.station) {
                let next = wrapped(&next, inner);
                lines.extend(
                    next.into_iter()
                        .map(|piece| (format!("{margin}{piece}"), said.tone)),
                );
            }
        }
    }
    let mut beside: Vec<(String, Tone)> = Vec::new();
    if !lab.archive.is_empty() {
        beside.push((format!("archive: {}", lab.archive), Tone::Warning));
    }
    for warning in &lab.calibration_warnings {
        beside.push((spoken(&warning.text).into_owned(), Tone::Warning));
    }
    if !beside.is_empty() {
        lines.push((String::new(), Tone::Plain));
        for (text, tone) in beside {
            lines.extend(
                wrapped(&text, usize::from(area.width - 2))
                    .into_iter()
                    .map(|piece| (format!(" {piece}"), tone)),
            );
        }
    }
    let room = usize::from(area.height.saturating_sub(pen.row));
    // The worst stays in sight unless somebody has gone down to another.
    let hidden = lines.len().saturating_sub(room);
    let first = (chosen_at + 4).saturating_sub(room).min(hidden);
    let more = lines.len() - first > room;
    let shown = if more { room.saturating_sub(1) } else { room };
    for (text, tone) in lines.iter().skip(first).take(shown) {
        pen.line(text, look.tone(*tone));
    }
    if more {
        let rest = lines.len() - first - shown;
        pen.line(
            &format!(
                "       {} below: arrow down",
                count(rest, "line more", "lines more")
            ),
            look.tone(Tone::Faint),
        );
    }
}

/// One bench.
fn one(scene: &Scene<'_>, lab: &shapes::Status, station: &shapes::Station, area: Rect, buffer: &mut Buffer) {
    let look = scene.look;
    let mut pen = Pen::new(area, buffer);
    let need = Need::of(station);
    let mut head = format!(" {}  {}", station.station, status::state(station));
    if let (Some(run), Some(recipe)) = (station.run, &station.recipe) {
        let serial = station.serial.as_deref().unwrap_or(NONE);
        let _ = write!(head, "  run {run}, \"{recipe}\", board {serial}");
    }
    title(lab, &head, look.tone(need.tone()), look, &mut pen);
    alarms(lab, look, &mut pen);
    let (mut loud, quiet): (Vec<Said>, Vec<Said>) = status::said(station)
        .into_iter()
        .partition(|said| said.tone != Tone::Plain);
    // What took the heat away comes before what else is wrong.
    loud.sort_by_key(|said| said.tone != Tone::Danger);
    let large = area.width >= LARGE.0 && area.height + 2 >= LARGE.1;
    let figure_rows = if large { 2 * big::ROWS } else { big::ROWS };
    // The plate may take what the figure leaves, and a line below it: what a person does now is worth more than a chart.
    let left_over = area
        .height
        .saturating_sub(pen.row + 4 + u16::try_from(figure_rows).unwrap_or(0));
    if loud.is_empty() {
        pen.row += 1;
    } else {
        let (word, tone) = match need {
            Need::Tripped => ("TRIPPED: HEAT IS OFF", Tone::Danger),
            Need::Acknowledged => ("TRIPPED, SEEN: HEAT IS OFF", Tone::Danger),
            Need::Waits => ("WAITS FOR YOU", Tone::Warning),
            _ => ("LOOK", Tone::Warning),
        };
        plate(
            &mut pen,
            look,
            word,
            tone,
            &loud,
            &station.station,
            &[],
            left_over.max(5),
        );
    }
    figure(station, lab, look, large, &mut pen);
    for said in quiet {
        pen.text(1, &said.text, look.tone(said.tone));
        for next in to_do(&said, &station.station) {
            pen.line_at(1, &next, look.tone(said.tone));
        }
    }
    legend(station, look, &mut pen);
    let rest = Rect::new(
        area.x,
        area.y + pen.row.min(area.height),
        area.width,
        area.height.saturating_sub(pen.row),
    );
    if let Some(course) = scene.courses.get(&station.station) {
        chart(station, course, look, rest, pen.buffer);
    }
}

/// The control temperature, large, and the facts beside it.
fn figure(station: &shapes::Station, lab: &shapes::Status, look: Look, large: bool, pen: &mut Pen<'_>) {
    let scale = degrees::shown();
    let (degrees, what) = match (station.control_celsius, status::hottest(station)) {
        (Some(control), _) => (Some(control), "control"),
        (None, Some(hottest)) => (Some(hottest), "hottest channel"),
        (None, None) => (None, "no channel reads a temperature"),
    };
    let text = degrees.map_or_else(
        || "---".into(),
        |degrees| format!("{:.1}", scale.reading(degrees)),
    );
    let (wide, high) = if large { (4, 2) } else { (2, 1) };
    let rows = big::rows(&text, wide, high);
    let width = rows.first().map_or(0, |row| row.chars().count());
    let tone = match Need::of(station) {
        Need::Tripped => Tone::Danger,
        Need::Cool => Tone::Good,
        _ => Tone::Strong,
    };
    let facts = facts(station, wall(lab));
    let beside = u16::try_from(width).unwrap_or(0) + 1 + GAP;
    let top = pen.row;
    pen.line_at(1, &format!("{what}, {}", scale.unit()), look.tone(Tone::Faint));
    for row in &rows {
        pen.line_at(1, row, look.tone(tone));
    }
    let bottom = pen.row;
    let column = beside.max(if large { 60 } else { 38 });
    pen.row = top;
    let room = usize::from(pen.area.width.saturating_sub(column + 1));
    for (label, text, tone) in facts {
        for (at, piece) in wrapped(&text, room.saturating_sub(9)).into_iter().enumerate() {
            let label = if at == 0 { label } else { "" };
            pen.put(column, label, look.tone(Tone::Faint));
            pen.line_at(column + 9, &piece, look.tone(tone));
        }
    }
    pen.row = pen.row.max(bottom);
}

/// Label, value and tone of what stands beside the figure.
fn facts(station: &shapes::Station, at: Option<Wall>) -> Vec<(&'static str, String, Tone)> {
    let mut facts = Vec::new();
    let mut fact = |label, text: String, tone| facts.push((label, text, tone));
    if let Some(target) = station.target_celsius {
        let dwell = station
            .dwell_left_s
            .map_or(String::new(), |left| format!(", dwell {} left", clock(left)));
        fact("target", format!("{}{dwell}", celsius(Some(target))), Tone::Plain);
    }
    fact(
        "heat",
        format!("{} {}", status::bar_of(20, station.heat), percent(station.heat)),
        Tone::Plain,
    );
    match left(station, at) {
        Some(left) => fact("left", left, Tone::Plain),
        None if matches!(station.phase.as_str(), "ramp" | "dwell") => {
            fact("left", "nobody can say yet".into(), Tone::Plain);
        }
        None => {}
    }
    if let Some(safe) = station
        .prediction
        .as_ref()
        .and_then(|prediction| foretold::moment(&prediction.safe))
        // What nobody can say has been said above.
        .filter(|safe| is_time(safe))
    {
        fact("safe", safe, Tone::Plain);
    }
    fact(
        "ceiling",
        format!(
            "{}, set by {}",
            celsius(Some(station.ceiling_celsius)),
            station.ceiling_from
        ),
        Tone::Plain,
    );
    if let Some(left) = station.presence_left_s {
        let tone = if left < 60.0 { Tone::Warning } else { Tone::Plain };
        fact(
            "presence",
            format!("{} left: press p before that", clock(left)),
            tone,
        );
    }
    if station.driver != "up" {
        fact("driver", station.driver.clone(), Tone::Warning);
    }
    facts
}

/// Whether a moment is a time and no explanation.
fn is_time(text: &str) -> bool {
    text.starts_with(|letter: char| letter.is_ascii_digit())
}

/// The letter of a channel: `A` for the first.
fn letter(at: usize) -> char {
    char::from(b'A' + u8::try_from(at % 26).unwrap_or(0))
}

/// Which letter is which channel, and what it reads.
fn legend(station: &shapes::Station, look: Look, pen: &mut Pen<'_>) {
    let mut column = 1;
    for (at, channel) in station.channels.iter().enumerate() {
        let good = channel.quality == "good";
        let reads = if good {
            celsius(channel.celsius)
        } else {
            channel.quality.to_uppercase()
        };
        let text = format!("{} {} {reads}", letter(at), channel.channel);
        let width = u16::try_from(text.chars().count()).unwrap_or(0);
        if column > 1 && column + width >= pen.area.width {
            pen.row += 1;
            column = 1;
        }
        let style = if good {
            look.curve(at)
        } else {
            look.tone(Tone::Warning)
        };
        pen.put(column, &text, style);
        column += width + 3;
    }
    pen.row += 1;
}

/// Measured and foretold curves of every channel.
fn chart(station: &shapes::Station, course: &Course, look: Look, area: Rect, buffer: &mut Buffer) {
    let channel = |name: &str| station.channels.iter().position(|one| one.channel == name);
    let mut curves: Vec<(usize, Curve)> = course
        .measured
        .iter()
        .filter_map(|(name, read)| {
            let at = channel(name)?;
            Some((
                at,
                Curve {
                    letter: letter(at),
                    style: look.curve(at),
                    points: read.points().collect(),
                },
            ))
        })
        .collect();
    curves.sort_by_key(|(at, _)| *at);
    let now = course.now_s;
    let ahead = course.ahead(station);
    // What was planned up to now, what is foretold from now on.
    let mut foretold: Vec<_> = course
        .planned
        .iter()
        .copied()
        .filter(|point| point.0 <= now)
        .collect();
    if let (Some(last), Some(next)) = (
        foretold.last().copied(),
        course.planned.iter().find(|point| point.0 > now),
    ) {
        let share = (now - last.0) / (next.0 - last.0);
        foretold.push((now, last.1 + share * (next.1 - last.1)));
    }
    foretold.extend(&ahead);
    let heats = matches!(station.phase.as_str(), "ramp" | "dwell");
    let span_s = if station.run.is_none() {
        (now - IDLE_S, now)
    } else {
        // While it heats, the rest of that is what matters; cooling takes several times as long.
        let heat_ends = station
            .prediction
            .as_ref()
            .and_then(|prediction| course.moment_s(&prediction.heat_ends));
        let all = foretold.last().map_or(now, |point| point.0);
        let end = if heats {
            heat_ends.unwrap_or(all) * 1.15
        } else {
            all
        };
        (0.0, end.max(now * 1.02).max(60.0))
    };
    let feet = if station.run.is_none() {
        (format!("-{}", clock(IDLE_S)), "now".to_owned())
    } else {
        let dots = if foretold.is_empty() {
            ""
        } else {
            "; dots: foretold"
        };
        (format!("0:00  now {}{dots}", clock(now)), clock(span_s.1))
    };
    // What is foretold goes through its targets; where nothing is, the target alone says where it goes.
    let target = station
        .target_celsius
        .filter(|_| ahead.is_empty())
        .map(|target| Level {
            celsius: target,
            text: format!("target {}", celsius(Some(target))),
            style: look.tone(Tone::Faint),
        });
    Chart {
        target,
        curves: curves.into_iter().map(|(_, curve)| curve).collect(),
        foretold,
        ceiling: Level {
            celsius: station.ceiling_celsius,
            text: format!("ceiling {}", celsius(Some(station.ceiling_celsius))),
            style: look.tone(Tone::Danger),
        },
        span_s,
        feet,
        ascii: look.ascii,
        faint: look.tone(Tone::Faint),
    }
    .draw(area, buffer);
}

#[cfg(test)]
mod tests;
