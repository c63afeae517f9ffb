//! From the text of `lab.toml` to a [`Config`], or to all that is wrong with it.

use std::collections::{BTreeMap, BTreeSet};
use std::net::SocketAddr;
use std::ops::Range;
use std::path::PathBuf;

use benchward_core::mistake::table::{
    Bounds, Entry, Section, TEXT_CHARS_MAX, Table, document, figure, is_name, kind, table_of, text_of,
};
use benchward_core::mistake::{Collector, Mistakes, nearest, quote};
use benchward_core::recipe::{ABSENT_MAX, ABSENT_MIN, CEILING_MIN, TARGET_MAX};
use benchward_core::units::{Celsius, CelsiusDelta, Fraction, Millis};
use toml::Spanned;
use toml::de::{DeTable, DeValue};

use crate::wiring::{End, Wiring};
use crate::{
    Allow, ArchiveSection, Broker, Bus, Channel, ClientCertificate, Config, Display, History, Instance,
    LabSection, Live, Metrics, Mqtt, Pace, Program, Roles, Sparkplug, Station, Supply, TEXT_BYTES_MAX,
    ThermocoupleType, settings,
};

const TOP: Section = Section {
    place: "at the top of the file",
    keys: &[
        "lab", "ceiling", "presence", "archive", "roles", "mqtt", "metrics", "supply", "driver", "station",
    ],
};
const LAB: Section = Section {
    place: "in `[lab]`",
    keys: &["name", "display", "archive", "socket", "bus"],
};
const CEILING: Section = Section {
    place: "in `[ceiling]`",
    keys: &["celsius"],
};
const PRESENCE: Section = Section {
    place: "in `[presence]`",
    keys: &["absent_after_s"],
};
const ARCHIVE: Section = Section {
    place: "in `[archive]`",
    keys: &["outside_runs_days", "reserve_mb"],
};
const ROLES: Section = Section {
    place: "in `[roles]`",
    keys: &["operate", "process", "safety"],
};
const MQTT: Section = Section {
    place: "in `[mqtt]`",
    keys: &[
        "broker",
        "username",
        "password_file",
        "ca_file",
        "certificate_file",
        "key_file",
        "plain",
        "history",
        "history_readings_per_s",
        "live",
        "sparkplug",
        "allow",
    ],
};
const LIVE: Section = Section {
    place: "in `live` of `[mqtt]`",
    keys: &["run", "idle", "state_heartbeat_s"],
};
const PACE: Section = Section {
    place: "in `run` or `idle` of `live` of `[mqtt]`",
    keys: &["deadband_celsius", "at_most_per_s", "heartbeat_s"],
};
const SPARKPLUG: Section = Section {
    place: "in `sparkplug` of `[mqtt]`",
    keys: &["group", "enabled", "primary_host", "aliases"],
};
const METRICS: Section = Section {
    place: "in `[metrics]`",
    keys: &["listen"],
};
const SUPPLY: Section = Section {
    place: "in `[supply.NAME]`",
    keys: &["volts", "amps", "continuous"],
};
const DRIVER: Section = Section {
    place: "in `[driver.NAME]`",
    keys: &["program", "settings"],
};
const STATION: Section = Section {
    place: "in `[station.NAME]`",
    keys: &[
        "driver",
        "channels",
        "heat",
        "contactor",
        "presence",
        "current",
        "permissive",
        "supply",
        "ceiling_celsius",
        "follows_heat",
    ],
};
const CHANNEL: Section = Section {
    place: "in a channel, as in `board-top = { input = ... }`",
    keys: &["input", "thermocouple", "offset_celsius"],
};

pub(crate) const EVERYWHERE: &[&Section] = &[
    &TOP, &LAB, &CEILING, &PRESENCE, &ARCHIVE, &ROLES, &MQTT, &LIVE, &PACE, &SPARKPLUG, &METRICS, &SUPPLY,
    &DRIVER, &STATION, &CHANNEL,
];

/// Ceiling of a lab that doesn't say: what leaded and lead-free solder work needs, and no more.
const CEILING_DEFAULT: Celsius = Celsius::constant(260.0);

/// Limit of operator absence of a lab that doesn't say.
const ABSENT_DEFAULT: Millis = Millis::from_secs(900);

/// Share of a breaker's rating for loads that last, where nothing is said: the usual rule of electrical codes.
const CONTINUOUS_DEFAULT: f64 = 0.8;

/// Ceilings, as recipes have them.
const CEILINGS: Bounds = Bounds::within(CEILING_MIN.degrees(), TARGET_MAX.degrees(), "°C");

/// Largest correction of a channel. A thermocouple that is further off has to be replaced, not corrected.
const OFFSETS: Bounds = Bounds::within(-20.0, 20.0, "°C");

/// Low-voltage range of IEC 60364-1, volts.
const VOLTS: Bounds = Bounds::above(0.0, 1000.0, "V");

/// Up to the supply of a hall, amperes.
const AMPS: Bounds = Bounds::above(0.0, 1000.0, "A");

/// Share of a supply.
const SHARE: Bounds = Bounds::above(0.0, 1.0, "");

/// Most stations and most driver instances of one daemon; the lab thread is measured with 200.
const STATIONS_MAX: usize = 500;

/// Most channels of a station.
const CHANNELS_MAX: usize = 32;

/// Most heater outputs, and most permissives, of a station.
const WIRES_MAX: usize = 16;

/// Longest path of a unix socket, bytes: `sun_path` of Linux without its closing zero.
const SOCKET_BYTES_MAX: usize = 107;

/// Longest name of a unix group, characters (`useradd(8)`).
const GROUP_CHARS_MAX: usize = 32;

/// Readings a second of a gap that is filled: 100 are one bench of ten channels and no gap; a million is more than a broker takes.
const HISTORY_RATE: Bounds = Bounds::within(100.0, 1e6, "readings a second");

/// A day away of three benches with four channels at 10 Hz is filled in 17 minutes.
const HISTORY_RATE_DEFAULT: u32 = 10_000;

/// Beyond 50 °C a dashboard would miss a whole ramp.
const DEADBANDS: Bounds = Bounds::within(0.0, 50.0, "°C");

/// Live values of a channel: ten a second is as fast as benches are read.
const AT_MOST: Bounds = Bounds::within(0.01, 10.0, "a second");

/// From a second to an hour: within this time a dashboard knows that nothing moves, or that nobody is there.
const HEARTBEATS: Bounds = Bounds::within(1.0, 3_600.0, "s");

/// Longest user name at a broker and longest Sparkplug group, characters.
const MQTT_CHARS_MAX: usize = 128;

pub(crate) fn config(source: &str, text: &str) -> Result<Config, Mistakes> {
    let mut collector = Collector::new(source, text);
    let config = document(&mut collector, TEXT_BYTES_MAX, "a configuration")
        .and_then(|document| top(&mut collector, document.get_ref()));
    collector.finish(config)
}

/// The mistake of a file that was not read to its end.
pub(crate) fn too_long(source: &str) -> Mistakes {
    Mistakes::of_whole(
        source,
        format!("more than {TEXT_BYTES_MAX} bytes are too many for a configuration"),
        "check that this is the right file",
    )
}

/// `None` only with a mistake noted.
fn top(collector: &mut Collector<'_>, document: &DeTable<'_>) -> Option<Config> {
    let top = Table::open(collector, document, 0..0, TOP.place, &TOP, EVERYWHERE);
    let supplies = supplies(collector, &top);
    let mut drivers = drivers(collector, &top);
    let stations = stations(collector, &top, &supplies, &mut drivers);
    let config = Config {
        lab: lab(collector, &top),
        ceiling: section(collector, &top, "ceiling", &CEILING)
            .and_then(|table| table.temperature(collector, "celsius", CEILINGS))
            .map_or(CEILING_DEFAULT, Spanned::into_inner),
        absent_after: absent_after(collector, &top),
        archive: archive(collector, &top),
        roles: roles(collector, &top),
        mqtt: mqtt(collector, &top),
        metrics: metrics(collector, &top),
        supplies: supplies
            .into_iter()
            .filter_map(|(name, supply)| Some((name, supply?)))
            .collect(),
        drivers: drivers
            .into_iter()
            .filter_map(|(name, instance)| Some((name, instance?)))
            .collect(),
        stations,
    };
    // A value that was wrong has left a mistake and a default behind; the default goes nowhere.
    collector.is_clean().then_some(config)
}

/// A table with fixed keys below the top, if it is there.
fn section<'a, 't>(
    collector: &mut Collector<'_>,
    top: &Table<'a, 't>,
    key: &str,
    section: &'static Section,
) -> Option<Table<'a, 't>> {
    let (entries, span) = top.table(collector, key)?;
    Some(Table::open(
        collector,
        entries,
        span,
        section.place,
        section,
        EVERYWHERE,
    ))
}

fn lab(collector: &mut Collector<'_>, top: &Table<'_, '_>) -> LabSection {
    let default = LabSection::default();
    let Some(table) = section(collector, top, "lab", &LAB) else {
        return default;
    };
    let socket = path(collector, &table, "socket");
    if let Some(socket) = &socket
        && socket.as_os_str().len() > SOCKET_BYTES_MAX
    {
        let bytes = socket.as_os_str().len();
        table.wrong(
            collector,
            "socket",
            &format!("has {bytes} bytes, above the limit of {SOCKET_BYTES_MAX} for a socket"),
            "choose a shorter path",
        );
    }
    LabSection {
        name: table
            .name(collector, "name")
            .map_or(default.name, |name| name.into_inner().to_owned()),
        display: table
            .choice(
                collector,
                "display",
                &[("celsius", Display::Celsius), ("fahrenheit", Display::Fahrenheit)],
            )
            .unwrap_or_default(),
        archive: path(collector, &table, "archive"),
        socket,
        bus: table
            .choice(
                collector,
                "bus",
                &[
                    ("none", Bus::None),
                    ("system", Bus::System),
                    ("session", Bus::Session),
                ],
            )
            .unwrap_or_default(),
    }
}

fn absent_after(collector: &mut Collector<'_>, top: &Table<'_, '_>) -> Millis {
    let bounds = Bounds::within(ABSENT_MIN.seconds(), ABSENT_MAX.seconds(), "s");
    section(collector, top, "presence", &PRESENCE)
        .and_then(|table| table.number(collector, "absent_after_s", bounds))
        .map_or(ABSENT_DEFAULT, |seconds| {
            Millis::from_secs_f64(seconds.into_inner())
        })
}

/// What the archive may give up. Bounds of our own: a day at least, ten years at most; less than 10 MB is no reserve for what sled
/// writes at once, and a terabyte is a slip.
fn archive(collector: &mut Collector<'_>, top: &Table<'_, '_>) -> ArchiveSection {
    let default = ArchiveSection::default();
    let Some(table) = section(collector, top, "archive", &ARCHIVE) else {
        return default;
    };
    let days = table.number(
        collector,
        "outside_runs_days",
        Bounds::within(1.0, 3_650.0, "days"),
    );
    let megabytes = table.number(collector, "reserve_mb", Bounds::within(10.0, 1e6, "MB"));
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "within bounds far inside both types"
    )]
    ArchiveSection {
        outside_runs_days: days.map_or(default.outside_runs_days, |days| days.into_inner().ceil() as u16),
        reserve_bytes: megabytes.map_or(default.reserve_bytes, |megabytes| {
            (megabytes.into_inner() * 1e6) as u64
        }),
    }
}

fn path(collector: &mut Collector<'_>, table: &Table<'_, '_>, key: &str) -> Option<PathBuf> {
    table
        .text(collector, key, TEXT_CHARS_MAX)
        .map(|path| PathBuf::from(path.into_inner()))
}

fn roles(collector: &mut Collector<'_>, top: &Table<'_, '_>) -> Option<Roles> {
    let table = section(collector, top, "roles", &ROLES)?;
    let mut groups = |key| -> Vec<String> {
        let groups = table.texts(collector, key, GROUP_CHARS_MAX);
        for group in &groups {
            if group
                .get_ref()
                .chars()
                .any(|c| c.is_whitespace() || c == ':' || c == ',')
            {
                collector.add(
                    group.span(),
                    format!("{} is not the name of a unix group", quote(group.get_ref())),
                    "write one name a text, as `getent group` lists them",
                );
            }
        }
        groups
            .into_iter()
            .map(|group| group.into_inner().to_owned())
            .collect()
    };
    let roles = Roles {
        operate: groups("operate"),
        process: groups("process"),
        safety: groups("safety"),
    };
    let none = |groups: &Spanned<DeValue<'_>>| {
        groups
            .get_ref()
            .as_array()
            .is_some_and(|groups| groups.is_empty())
    };
    if table.raw("safety").is_none_or(none) {
        let at = table.raw("safety").map_or_else(|| table.span(), Spanned::span);
        collector.add(
            at,
            "no group has the role safety: nobody could lift a trip or set a ceiling",
            "add `safety = [\"GROUP\"]`, or remove `[roles]` to give all roles to the daemon's own account",
        );
    }
    Some(roles)
}

fn mqtt(collector: &mut Collector<'_>, top: &Table<'_, '_>) -> Option<Mqtt> {
    let table = section(collector, top, "mqtt", &MQTT)?;
    table.require(collector, "broker", "\"mqtt://127.0.0.1:1883\"");
    let broker = table
        .text(collector, "broker", TEXT_CHARS_MAX)
        .and_then(|address| {
            Broker::parse(address.get_ref())
                .map_err(|(wrong, fix)| {
                    collector.add(
                        address.span(),
                        format!("`broker` {wrong}: {}", quote(address.get_ref())),
                        fix,
                    );
                })
                .ok()
        });
    let username = table
        .text(collector, "username", MQTT_CHARS_MAX)
        .map(|username| username.into_inner().to_owned());
    let password_file = path(collector, &table, "password_file");
    if password_file.is_some() && !table.has("username") {
        table.wrong(
            collector,
            "password_file",
            "stands without `username`",
            "add `username = \"...\"`",
        );
    }
    let certificate = (
        path(collector, &table, "certificate_file"),
        path(collector, &table, "key_file"),
    );
    for (one, other) in [("certificate_file", "key_file"), ("key_file", "certificate_file")] {
        if !table.has(other) {
            table.wrong(
                collector,
                one,
                &format!("stands without `{other}`"),
                format!("add `{other} = \"...\"`: the broker gets both or neither"),
            );
        }
    }
    let client = match certificate {
        (Some(certificate_file), Some(key_file)) => Some(ClientCertificate {
            certificate_file,
            key_file,
        }),
        _ => None,
    };
    Some(Mqtt {
        username,
        password_file,
        ca_file: path(collector, &table, "ca_file"),
        client,
        plain: table.flag(collector, "plain").unwrap_or(true),
        history: history(collector, &table),
        history_readings_per_s: history_rate(collector, &table),
        live: live(collector, &table),
        sparkplug: sparkplug(collector, &table),
        allow: allow(collector, &table),
        broker: broker?,
    })
}

fn history(collector: &mut Collector<'_>, mqtt: &Table<'_, '_>) -> History {
    let words = [
        ("runs", History::Runs),
        ("all", History::All),
        ("off", History::Off),
    ];
    mqtt.choice(collector, "history", &words).unwrap_or_default()
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "within bounds far inside the type"
)]
fn history_rate(collector: &mut Collector<'_>, mqtt: &Table<'_, '_>) -> u32 {
    mqtt.number(collector, "history_readings_per_s", HISTORY_RATE)
        .map_or(HISTORY_RATE_DEFAULT, |rate| rate.into_inner() as u32)
}

fn live(collector: &mut Collector<'_>, mqtt: &Table<'_, '_>) -> Live {
    let default = Live::default();
    let Some(table) = section(collector, mqtt, "live", &LIVE) else {
        return default;
    };
    Live {
        run: pace(collector, &table, "run", default.run),
        idle: pace(collector, &table, "idle", default.idle),
        state_heartbeat: table
            .number(collector, "state_heartbeat_s", HEARTBEATS)
            .map_or(default.state_heartbeat, |seconds| {
                Millis::from_secs_f64(seconds.into_inner())
            }),
    }
}

fn pace(collector: &mut Collector<'_>, live: &Table<'_, '_>, key: &str, default: Pace) -> Pace {
    let Some(table) = section(collector, live, key, &PACE) else {
        return default;
    };
    let deadband = table.difference(collector, "deadband_celsius", DEADBANDS);
    let at_most = table.number(collector, "at_most_per_s", AT_MOST);
    let heartbeat = table.number(collector, "heartbeat_s", HEARTBEATS);
    let pace = Pace {
        deadband: deadband.map_or(default.deadband, Spanned::into_inner),
        apart: at_most.map_or(default.apart, |rate| {
            Millis::from_secs_f64(1.0 / rate.into_inner())
        }),
        heartbeat: heartbeat.map_or(default.heartbeat, |seconds| {
            Millis::from_secs_f64(seconds.into_inner())
        }),
    };
    if pace.heartbeat < pace.apart {
        let apart = figure(pace.apart.seconds());
        table.wrong(
            collector,
            if table.has("heartbeat_s") {
                "heartbeat_s"
            } else {
                "at_most_per_s"
            },
            &format!(
                "asks for a value each {} s, and `at_most_per_s` allows one in {apart} s",
                figure(pace.heartbeat.seconds())
            ),
            format!("write `heartbeat_s = {apart}` or more, or raise `at_most_per_s`"),
        );
    }
    pace
}

fn sparkplug(collector: &mut Collector<'_>, mqtt: &Table<'_, '_>) -> Option<Sparkplug> {
    let table = section(collector, mqtt, "sparkplug", &SPARKPLUG)?;
    table.require(collector, "group", "\"...\"");
    let enabled = table.flag(collector, "enabled").unwrap_or(true);
    let aliases = table.flag(collector, "aliases").unwrap_or(false);
    let primary_host = sparkplug_id(collector, &table, "primary_host");
    Some(Sparkplug {
        group: sparkplug_id(collector, &table, "group")?,
        enabled,
        primary_host,
        aliases,
    })
}

/// An id that becomes part of topics.
fn sparkplug_id(collector: &mut Collector<'_>, table: &Table<'_, '_>, key: &str) -> Option<String> {
    let id = table.text(collector, key, MQTT_CHARS_MAX)?;
    if let Some(odd) = id.get_ref().chars().find(|c| matches!(c, '/' | '+' | '#')) {
        collector.add(
            id.span(),
            format!("`{key}` has `{odd}` in it, which MQTT topics keep for themselves"),
            "leave out `/`, `+` and `#`",
        );
    }
    if key == "group" && *id.get_ref() == "STATE" {
        collector.add(
            id.span(),
            "`group` is `STATE`, under which hosts say whether they are there",
            "choose another name",
        );
    }
    Some(id.into_inner().to_owned())
}

fn allow(collector: &mut Collector<'_>, mqtt: &Table<'_, '_>) -> Allow {
    let mut allow = Allow::default();
    for word in mqtt.texts(collector, "allow", TEXT_CHARS_MAX) {
        match *word.get_ref() {
            "present" => allow.present = true,
            "stop" => allow.stop = true,
            other => collector.add(
                word.span(),
                format!(
                    "{} can't be allowed: only present and stop can, the lab gets no hotter by message",
                    quote(other)
                ),
                nearest(other, ["present", "stop"]).map_or_else(
                    || "remove it".to_owned(),
                    |meant| format!("did you mean `{meant}`?"),
                ),
            ),
        }
    }
    allow
}

fn metrics(collector: &mut Collector<'_>, top: &Table<'_, '_>) -> Option<Metrics> {
    let table = section(collector, top, "metrics", &METRICS)?;
    let Some(listen) = table.text(collector, "listen", TEXT_CHARS_MAX) else {
        return Some(Metrics::default());
    };
    let parsed = listen.get_ref().parse::<SocketAddr>();
    if parsed.is_err() {
        collector.add(
            listen.span(),
            format!(
                "`listen` is {}, which is not an address and a port",
                quote(listen.get_ref())
            ),
            "write `127.0.0.1:9464`, or `[::1]:9464`; names such as localhost have several addresses",
        );
    }
    Some(Metrics { listen: parsed.ok()? })
}

/// Tables below `key`, each with its name, in the order of the file.
fn named<'a, 't>(
    collector: &mut Collector<'_>,
    top: &Table<'a, 't>,
    key: &str,
    section: &'static Section,
) -> Vec<(String, Table<'a, 't>)> {
    let entries = top.entries(collector, key);
    if let Some(entry) = entries.get(STATIONS_MAX) {
        collector.add(
            entry.key.span(),
            format!(
                "{} of `[{key}.NAME]`, above the limit of {STATIONS_MAX}",
                entries.len()
            ),
            "split the lab into several daemons",
        );
    }
    let mut named = Vec::new();
    for Entry { key: name, value } in entries.into_iter().take(STATIONS_MAX) {
        is_name(collector, &name);
        let title = format!("`[{key}.{}]`", name.get_ref());
        let Some((entries, span)) = table_of(collector, &title, value) else {
            continue;
        };
        let table = Table::open(
            collector,
            entries,
            span,
            format!("in {title}"),
            section,
            EVERYWHERE,
        );
        named.push(((*name.get_ref()).to_owned(), table));
    }
    named
}

/// `None` for one that has mistakes: it is known by name, so that nobody is told it doesn't exist.
fn supplies(collector: &mut Collector<'_>, top: &Table<'_, '_>) -> BTreeMap<String, Option<Supply>> {
    named(collector, top, "supply", &SUPPLY)
        .into_iter()
        .map(|(name, table)| {
            table.require(collector, "volts", "230");
            table.require(collector, "amps", "16");
            let volts = table.number(collector, "volts", VOLTS).map(Spanned::into_inner);
            let amps = table.number(collector, "amps", AMPS).map(Spanned::into_inner);
            let continuous = table
                .number(collector, "continuous", SHARE)
                .map_or(CONTINUOUS_DEFAULT, Spanned::into_inner);
            let supply = volts.zip(amps).map(|(volts, amps)| Supply {
                volts,
                amps,
                continuous: Fraction::clamped(continuous),
            });
            (name, supply)
        })
        .collect()
}

/// `None` for one that has mistakes, as for [`supplies`].
fn drivers(collector: &mut Collector<'_>, top: &Table<'_, '_>) -> BTreeMap<String, Option<Instance>> {
    named(collector, top, "driver", &DRIVER)
        .into_iter()
        .map(|(name, table)| {
            let instance = instance(collector, &table);
            (name, instance)
        })
        .collect()
}

fn instance(collector: &mut Collector<'_>, table: &Table<'_, '_>) -> Option<Instance> {
    table.require(collector, "program", "\"simulated\"");
    let settings = match table.table(collector, "settings") {
        Some((entries, span)) => settings::json(collector, entries, span),
        None => serde_json::Value::Object(serde_json::Map::new()),
    };
    let program = program(collector, table.raw("program")?)?;
    Some(Instance { program, settings })
}

fn program(collector: &mut Collector<'_>, value: &Spanned<DeValue<'_>>) -> Option<Program> {
    if let Some(words) = value.get_ref().as_array() {
        let command: Option<Vec<String>> = words
            .iter()
            .map(|word| argument(collector, word))
            .collect::<Vec<_>>()
            .into_iter()
            .collect();
        let command = command?;
        if command.first().is_none_or(String::is_empty) {
            collector.add(
                value.span(),
                "the command in `program` is empty",
                "write the program first, then its arguments: `[\"python3\", \"my_driver.py\"]`",
            );
            return None;
        }
        return Some(Program::Command(command));
    }
    let name = text_of(collector, "`program`", value, TEXT_CHARS_MAX)?;
    let short = *name.get_ref();
    if !short
        .chars()
        .all(|c| c.is_ascii_alphanumeric() || c == '-' || c == '_')
    {
        collector.add(
            name.span(),
            format!(
                "`program` is {}, which is not the short name of a driver",
                quote(short)
            ),
            format!(
                "write a command as a list, `program = [\"{short}\"]`, or a short name such as `simulated`"
            ),
        );
        return None;
    }
    Some(Program::Short(short.to_owned()))
}

/// One word of a command: any text that a program can be started with.
fn argument(collector: &mut Collector<'_>, word: &Spanned<DeValue<'_>>) -> Option<String> {
    match word.get_ref().as_str() {
        Some(text) if !text.contains('\0') => return Some(text.to_owned()),
        Some(_) => collector.add(
            word.span(),
            "a word of `program` has a zero byte in it",
            "remove it",
        ),
        None => {
            let bare = collector.quoted(&word.span());
            collector.add(
                word.span(),
                format!(
                    "every word of `program` has to be text, not {}",
                    kind(word.get_ref())
                ),
                format!("put it into quotes: `\"{}\"`", bare.trim_matches('`')),
            );
        }
    }
    None
}

/// Adds the stations' own drivers to `drivers`.
fn stations(
    collector: &mut Collector<'_>,
    top: &Table<'_, '_>,
    supplies: &BTreeMap<String, Option<Supply>>,
    drivers: &mut BTreeMap<String, Option<Instance>>,
) -> Vec<Station> {
    let tables = named(collector, top, "station", &STATION);
    let none = |stations: &Spanned<DeValue<'_>>| stations.get_ref().as_table().is_some_and(DeTable::is_empty);
    if top.raw("station").is_none_or(none) {
        collector.add(
            0..0,
            "the lab has no station",
            "add `[station.bench-1]` with its `driver`, `channels` and `heat`",
        );
    }
    // Instances first: a station may be wired to the driver of one further down.
    for (name, table) in &tables {
        let Some(value) = table.raw("driver") else {
            continue;
        };
        let own = own_driver(collector, name, value);
        if drivers.contains_key(name) {
            collector.add(
                value.span(),
                format!("`[driver.{name}]` and the driver of station `{name}` have the same name"),
                format!(
                    "rename `[driver.{name}]`, or remove the station's `driver` and wire it as `{name}/...`"
                ),
            );
        } else {
            drivers.insert(name.clone(), own);
        }
    }
    let mut wiring = Wiring::new(drivers.keys().cloned().collect::<BTreeSet<_>>());
    tables
        .into_iter()
        .map(|(name, table)| station(collector, name, &table, supplies, &mut wiring))
        .collect()
}

fn own_driver(
    collector: &mut Collector<'_>,
    station: &str,
    value: &Spanned<DeValue<'_>>,
) -> Option<Instance> {
    let Some(entries) = value.get_ref().as_table() else {
        collector.add(
            value.span(),
            format!("`driver` of station `{station}` has to be a table, not {}", kind(value.get_ref())),
            "write `driver = { program = \"...\" }`, or name a shared instance where it is wired: `heat = \"rack/heat1\"`",
        );
        return None;
    };
    let place = format!("in `driver` of `[station.{station}]`");
    let table = Table::open(collector, entries, value.span(), place, &DRIVER, EVERYWHERE);
    instance(collector, &table)
}

fn station(
    collector: &mut Collector<'_>,
    name: String,
    table: &Table<'_, '_>,
    supplies: &BTreeMap<String, Option<Supply>>,
    wiring: &mut Wiring,
) -> Station {
    let end = End {
        station: &name,
        own_driver: table.has("driver"),
    };
    let channels = channels(collector, table, end, wiring);
    let heat = table.texts(collector, "heat", TEXT_CHARS_MAX);
    within_limit(collector, "heat", heat.len(), table);
    let heat = heat
        .iter()
        .filter_map(|wire| wiring.output(collector, end, format!("heat of `{name}`"), wire))
        .collect();
    let contactor = table
        .text(collector, "contactor", TEXT_CHARS_MAX)
        .and_then(|wire| wiring.output(collector, end, format!("contactor of `{name}`"), &wire));
    let presence = table
        .text(collector, "presence", TEXT_CHARS_MAX)
        .and_then(|wire| wiring.input(collector, end, format!("presence of `{name}`"), &wire));
    let current = table
        .text(collector, "current", TEXT_CHARS_MAX)
        .and_then(|wire| wiring.input(collector, end, format!("current of `{name}`"), &wire));
    let entries = table.entries(collector, "permissive");
    within_limit(collector, "permissive", entries.len(), table);
    let mut permissives = Vec::new();
    for Entry { key, value } in entries {
        is_name(collector, &key);
        let permissive = *key.get_ref();
        let label = format!("permissive `{permissive}`");
        let wire = text_of(collector, &label, value, TEXT_CHARS_MAX)
            .and_then(|wire| wiring.input(collector, end, format!("{label} of `{name}`"), &wire));
        permissives.extend(wire.map(|wire| (permissive.to_owned(), wire)));
    }
    let supply = table.text(collector, "supply", TEXT_CHARS_MAX).map(|supply| {
        if !supplies.contains_key(*supply.get_ref()) {
            let fix = nearest(supply.get_ref(), supplies.keys().map(String::as_str)).map_or_else(
                || format!("add `[supply.{}]` with its `volts` and `amps`", supply.get_ref()),
                |meant| format!("did you mean `{meant}`?"),
            );
            collector.add(
                supply.span(),
                format!(
                    "station `{name}` names the supply {}, which isn't in this file",
                    quote(supply.get_ref())
                ),
                fix,
            );
        }
        supply.into_inner().to_owned()
    });
    let ceiling = table
        .temperature(collector, "ceiling_celsius", CEILINGS)
        .map(Spanned::into_inner);
    let follows_heat = table.flag(collector, "follows_heat").unwrap_or(true);
    Station {
        name,
        channels,
        heat,
        contactor,
        presence,
        current,
        permissives,
        supply,
        ceiling,
        follows_heat,
    }
}

fn within_limit(collector: &mut Collector<'_>, key: &str, count: usize, table: &Table<'_, '_>) {
    if count > WIRES_MAX {
        table.wrong(
            collector,
            key,
            &format!("has {count} wires, above the limit of {WIRES_MAX} a station"),
            "split the station into several",
        );
    }
}

fn channels(
    collector: &mut Collector<'_>,
    table: &Table<'_, '_>,
    end: End<'_>,
    wiring: &mut Wiring,
) -> Vec<Channel> {
    let station = end.station;
    let entries = table.entries(collector, "channels");
    let at: Range<usize> = table.raw("channels").map_or_else(|| table.span(), Spanned::span);
    let is_wrong_type = table
        .raw("channels")
        .is_some_and(|channels| !channels.get_ref().is_table());
    if entries.is_empty() && !is_wrong_type {
        collector.add(
            at,
            format!("station `{station}` has no channel: without a sensor nothing may be heated"),
            "add `channels = { board-top = \"tc1\" }`",
        );
    } else if entries.len() > CHANNELS_MAX {
        collector.add(
            at,
            format!(
                "station `{station}` has {} channels, above the limit of {CHANNELS_MAX}",
                entries.len()
            ),
            "split the station into several",
        );
    }
    entries
        .into_iter()
        .filter_map(|entry| channel(collector, &entry, end, wiring))
        .collect()
}

fn channel(
    collector: &mut Collector<'_>,
    entry: &Entry<'_, '_>,
    end: End<'_>,
    wiring: &mut Wiring,
) -> Option<Channel> {
    let name = *entry.key.get_ref();
    is_name(collector, &entry.key);
    let label = format!("channel `{name}`");
    let what = format!("{label} of `{}`", end.station);
    let Some(entries) = entry.value.get_ref().as_table() else {
        let wire = text_of(collector, &label, entry.value, TEXT_CHARS_MAX)?;
        let input = wiring.input(collector, end, what, &wire)?;
        return Some(Channel {
            name: name.to_owned(),
            input,
            thermocouple: None,
            offset: CelsiusDelta::constant(0.0),
        });
    };
    let place = format!("in {what}");
    let table = Table::open(
        collector,
        entries,
        entry.value.span(),
        place,
        &CHANNEL,
        EVERYWHERE,
    );
    table.require(collector, "input", "\"tc1\"");
    let thermocouple = table.choice(collector, "thermocouple", &ThermocoupleType::ALL);
    let offset = table
        .difference(collector, "offset_celsius", OFFSETS)
        .map_or(CelsiusDelta::constant(0.0), Spanned::into_inner);
    let wire = table.text(collector, "input", TEXT_CHARS_MAX)?;
    let input = wiring.input(collector, end, what, &wire)?;
    Some(Channel {
        name: name.to_owned(),
        input,
        thermocouple,
        offset,
    })
}
