//! Plays the commands of a scenario against a lab.

use std::collections::BTreeMap;
use std::sync::Arc;

use benchward_core::model::{Belief, BoardModel};
use benchward_core::recipe::Recipe;
use benchward_core::units::{Amps, Celsius, CelsiusDelta, Fraction, Millis, Watts};
use benchward_core::{
    Action, Ask, Calibration, Event, Fault, InputId, InputOffer, InputUse, InstanceId, Lab, LimitName, Loss,
    Offset, Origin, OutputId, OutputOffer, Person, Request, RequestId, Roles, Sample, Seq, Setup, StationId,
    Value,
};

use crate::header::{Header, celsius, number};
use crate::show::Show;

/// A lab and the world around it.
pub(crate) struct World {
    lab: Lab,
    setup: Setup,
    watts: Vec<Option<Watts>>,
    windows: Vec<Option<Millis>>,
    recipes: BTreeMap<String, Arc<Recipe>>,
    show: Show,
    now: Millis,
    drivers: Vec<Driver>,
    /// Whether readings are thought about as soon as they come.
    thinking: bool,
    /// By input; `None`: not in any scan that `run to` makes.
    sources: Vec<Option<Source>>,
    next_request: u64,
    /// By station: the heat that was last shown. `run to` shows it when it comes and goes.
    heat_shown: Vec<Option<String>>,
}

struct Driver {
    up: bool,
    scanning: bool,
    answering: bool,
    period: Millis,
    next_scan: Millis,
}

/// What an input reads over time.
#[derive(Clone, Copy)]
enum Source {
    Fixed(Value),
    Ramp {
        from: f64,
        to: f64,
        begins: Millis,
        takes: Millis,
    },
}

impl Source {
    fn at(self, now: Millis) -> Value {
        match self {
            Self::Fixed(value) => value,
            Self::Ramp {
                from,
                to,
                begins,
                takes,
            } => {
                let share = (now.since(begins).seconds() / takes.seconds()).min(1.0);
                Value::Sample(Sample::Good(Celsius::new(from + (to - from) * share).unwrap()))
            }
        }
    }
}

type Lines = Result<Vec<String>, String>;

impl World {
    pub(crate) fn new(header: Header) -> Self {
        let Header {
            setup,
            watts,
            windows,
            recipes,
            show,
            ..
        } = header;
        let drivers = setup
            .instances
            .iter()
            .map(|_| Driver {
                up: false,
                scanning: true,
                answering: true,
                period: Millis(100),
                next_scan: Millis::ZERO,
            })
            .collect();
        let usual = |wired: InputUse| match wired {
            InputUse::Channel(..) => Some(Source::Fixed(Value::Sample(Sample::Good(Celsius::constant(
                25.0,
            ))))),
            InputUse::Permissive(..) => Some(Source::Fixed(Value::Active(true))),
            InputUse::Presence(_) => Some(Source::Fixed(Value::Active(false))),
            InputUse::Current(_) => Some(Source::Fixed(Value::Current(Amps::new(0.0).unwrap()))),
        };
        Self {
            lab: Lab::new(setup.clone()),
            sources: setup.inputs.iter().map(|(_, _, wired)| usual(*wired)).collect(),
            heat_shown: vec![None; setup.stations.len()],
            show: Show::new(setup.clone(), show),
            setup,
            watts,
            windows,
            recipes,
            now: Millis::ZERO,
            drivers,
            thinking: true,
            next_request: 1,
        }
    }

    /// Carries out one command and returns the actions as lines.
    ///
    /// ```text
    /// up INSTANCE                        its driver has started; offers every input at its rate
    /// down INSTANCE exit|protocol|failed TEXT
    /// scan INSTANCE INPUT=VALUE... [at 1.2 s]
    ///                                    VALUE: degrees, degrees@cold-junction, open short range cold-junction device,
    ///                                    on off unreadable, 1.5A
    /// applied OUTPUT | lapsed OUTPUT     the driver confirms all it was told | its permit ran out
    /// refused OUTPUT TEXT
    /// tick                               one, whether it is time or not
    /// set INSTANCE INPUT=VALUE...        what scans of `run to` read from now on; `none` leaves it out;
    ///                                    25->120 over 60 s
    /// rate INSTANCE 100 ms               how often `run to` scans it, and what `up` says
    /// scans INSTANCE on|off              whether `run to` scans it
    /// answers INSTANCE on|off            whether it confirms commands
    /// thinking on|off                    whether readings are thought about as soon as they come
    /// think                              about those that have waited longest
    /// run to 90 s | run 5 s              wake-ups and scans until then; lines carry their time
    /// look STATION | look supplies       how it is shown, how they are
    /// PERSON[@network] VERB...           op1 proc1 safe1 hold one role, all1 every one, anybody else none:
    ///     start STATION [RECIPE [known]] | end STATION | stop STATION | stop lab | present STATION | ack STATION
    ///     reset STATION | resume STATION | ceiling lab|STATION DEGREES|none | put RECIPE | shutdown
    ///     calibrate STATION CHANNEL WAS TO|withdrawn:TO
    /// ```
    ///
    /// # Errors
    /// What can't be read.
    pub(crate) fn command(&mut self, text: &str) -> Lines {
        let mut words: Vec<&str> = text.split_whitespace().collect();
        if let Some((time, relative, used)) = time(&words) {
            self.now = if relative { self.now + time } else { time };
            words.drain(..used);
        }
        let given = words.first() == Some(&"given");
        let lines = self.words(&words[usize::from(given)..])?;
        Ok(if given { Vec::new() } else { lines })
    }

    fn words(&mut self, words: &[&str]) -> Lines {
        match words {
            [] => Ok(Vec::new()),
            ["up", instance] => self.up(instance),
            ["down", instance, how, text @ ..] => {
                let text = text.join(" ").into();
                let loss = match *how {
                    "exit" => Loss::Exit(text),
                    "protocol" => Loss::Protocol(text),
                    "failed" => Loss::Failed(text),
                    _ => return Err("exit, protocol or failed".into()),
                };
                let instance = self.instance(instance)?;
                self.drivers[instance.index()].up = false;
                Ok(self.event(Event::DriverDown { instance, loss }, false))
            }
            ["scan", instance, rest @ ..] => {
                let instance = self.instance(instance)?;
                let (values, at) = match rest.iter().position(|word| *word == "at") {
                    Some(place) => (&rest[..place], time(&rest[place + 1..]).ok_or("at 1.2 s")?.0),
                    None => (rest, self.now),
                };
                let mut scan = Vec::new();
                for pair in values {
                    let (name, text) = pair.split_once('=').ok_or("INPUT=VALUE")?;
                    scan.push((self.input(instance, name)?, value(text)?));
                }
                Ok(self.event(
                    Event::Scan {
                        instance,
                        at,
                        values: scan,
                    },
                    false,
                ))
            }
            ["applied", output] => {
                let output = self.output(output)?;
                // More than was ever told: everything is confirmed.
                Ok(self.event(
                    Event::Applied {
                        output,
                        seq: Some(Seq(u64::MAX)),
                        fraction: Fraction::ZERO,
                        lapsed: false,
                    },
                    false,
                ))
            }
            ["lapsed", output] => {
                let output = self.output(output)?;
                Ok(self.event(
                    Event::Applied {
                        output,
                        // A driver that numbers it all the same has still not done what it was told.
                        seq: Some(Seq(u64::MAX)),
                        fraction: Fraction::ZERO,
                        lapsed: true,
                    },
                    false,
                ))
            }
            ["refused", output, text @ ..] => {
                let output = self.output(output)?;
                Ok(self.event(
                    Event::Refused {
                        output,
                        seq: None,
                        text: text.join(" ").into(),
                    },
                    false,
                ))
            }
            ["tick"] => Ok(self.event(Event::Tick, false)),
            ["set", instance, rest @ ..] => self.set(instance, rest),
            ["rate", instance, rest @ ..] => {
                let instance = self.instance(instance)?;
                self.drivers[instance.index()].period = time(rest).ok_or("rate INSTANCE 100 ms")?.0;
                Ok(Vec::new())
            }
            ["scans", instance, on] => {
                let instance = self.instance(instance)?;
                self.drivers[instance.index()].scanning = *on == "on";
                self.drivers[instance.index()].next_scan = self.now;
                Ok(Vec::new())
            }
            ["answers", instance, on] => {
                let instance = self.instance(instance)?;
                self.drivers[instance.index()].answering = *on == "on";
                Ok(Vec::new())
            }
            ["thinking", on] => {
                self.thinking = *on == "on";
                Ok(Vec::new())
            }
            ["think"] => Ok(self.event(Event::Think, false)),
            ["run", "to", rest @ ..] => Ok(self.run_to(time(rest).ok_or("run to 90 s")?.0)),
            ["run", rest @ ..] => Ok(self.run_to(self.now + time(rest).ok_or("run 5 s")?.0)),
            ["look", "supplies"] => Ok(Show::supplies(&self.lab.view())),
            ["look", station] => {
                let view = self
                    .lab
                    .station_view(self.station(station)?)
                    .ok_or("no such station")?;
                Ok(self.show.view(&view))
            }
            [person, rest @ ..] => self.person(person, rest),
        }
    }

    fn up(&mut self, name: &str) -> Lines {
        let instance = self.instance(name)?;
        let driver = &mut self.drivers[instance.index()];
        (driver.up, driver.next_scan) = (true, self.now + driver.period);
        let period = Some(driver.period);
        let of = |owner: &InstanceId| *owner == instance;
        let inputs = (0..)
            .zip(&self.setup.inputs)
            .filter(|(_, (owner, _, _))| of(owner))
            .map(|(at, _)| InputOffer {
                input: InputId(at),
                period,
            })
            .collect();
        let outputs = (0..)
            .zip(
                self.setup
                    .outputs
                    .iter()
                    .zip(self.watts.iter().zip(&self.windows)),
            )
            .filter(|(_, (output, _))| of(&output.instance))
            .map(|(at, (_, (watts, window)))| OutputOffer {
                output: OutputId(at),
                watts: *watts,
                cuts: true,
                window: *window,
            })
            .collect();
        Ok(self.event(
            Event::DriverUp {
                instance,
                inputs,
                outputs,
            },
            false,
        ))
    }

    fn set(&mut self, instance: &str, words: &[&str]) -> Lines {
        let instance = self.instance(instance)?;
        let (values, takes) = match words.iter().position(|word| *word == "over") {
            Some(at) => (&words[..at], time(&words[at + 1..]).ok_or("over 60 s")?.0),
            None => (words, Millis::ZERO),
        };
        for pair in values {
            let (name, text) = pair.split_once('=').ok_or("INPUT=VALUE")?;
            let input = self.input(instance, name)?;
            self.sources[input.0 as usize] = match text.split_once("->") {
                Some((from, to)) => Some(Source::Ramp {
                    from: number(from)?,
                    to: number(to)?,
                    begins: self.now,
                    takes,
                }),
                None if text == "none" => None,
                None => Some(Source::Fixed(value(text)?)),
            };
        }
        Ok(Vec::new())
    }

    fn person(&mut self, person: &str, words: &[&str]) -> Lines {
        let (name, origin) = match person.strip_suffix("@network") {
            Some(name) => (name, Origin::Network),
            None => (person, Origin::Local),
        };
        let roles = match name.trim_end_matches(|letter: char| letter.is_ascii_digit()) {
            "op" => Roles {
                operate: true,
                ..Roles::NONE
            },
            "proc" => Roles {
                process: true,
                ..Roles::NONE
            },
            "safe" => Roles {
                safety: true,
                ..Roles::NONE
            },
            "all" => Roles::ALL,
            _ => Roles::NONE,
        };
        let ask = match words {
            ["start", station] => self.start(station, None, None)?,
            ["start", station, recipe] => self.start(station, Some(recipe), None)?,
            ["start", station, recipe, "known"] => self.start(station, Some(recipe), Some(known_board()))?,
            ["end", station] => Ask::StopRun(self.station(station)?),
            ["stop", "lab"] => Ask::Stop(None),
            ["stop", station] => Ask::Stop(Some(self.station(station)?)),
            ["confirm", station] => Ask::Confirm(self.station(station)?),
            ["present", station] => Ask::Present(self.station(station)?),
            ["ack", station] => Ask::Acknowledge(self.station(station)?),
            ["reset", station] => Ask::Reset(self.station(station)?),
            ["resume", station] => Ask::Resume(self.station(station)?),
            ["ceiling", "lab", degrees] => Ask::SetLabCeiling(celsius(degrees)?),
            ["ceiling", station, "none"] => Ask::SetStationCeiling(self.station(station)?, None),
            ["ceiling", station, degrees] => {
                Ask::SetStationCeiling(self.station(station)?, Some(celsius(degrees)?))
            }
            ["limit", limit, value] => Ask::SetLimit(
                LimitName::parse(limit).ok_or("absent-after, rise-max or run-max")?,
                match *value {
                    "none" => None,
                    value => Some(number(value)?),
                },
            ),
            ["calibrate", station, channel, was, to] => self.calibrate(station, channel, was, to)?,
            ["put", recipe] => Ask::PutRecipe {
                recipe: (*recipe).into(),
            },
            ["shutdown"] => Ask::Shutdown,
            _ => return Err("no such command".into()),
        };
        let id = RequestId(self.next_request);
        self.next_request += 1;
        Ok(self.event(
            Event::Request(Request {
                id,
                who: Person::new(name),
                roles,
                origin,
                ask,
            }),
            false,
        ))
    }

    fn calibrate(&self, station: &str, channel: &str, was: &str, to: &str) -> Result<Ask, String> {
        let delta = |text: &str| CelsiusDelta::new(number(text)?).map_err(|error| error.to_string());
        let station = self.station(station)?;
        let channels = &self.setup.stations[station.index()].channels;
        let (to, by) = match to.strip_prefix("withdrawn:") {
            Some(base) => (Offset::Configured(delta(base)?), "withdrawal"),
            None => (Offset::Calibrated(delta(to)?), "ice point"),
        };
        Ok(Ask::Calibrate(Calibration {
            station,
            // A name that isn't there is a place that isn't there.
            channel: channels
                .iter()
                .position(|one| *one.name == *channel)
                .unwrap_or(channels.len()),
            was: delta(was)?,
            to,
            by: by.into(),
            record: "{}".into(),
        }))
    }

    fn start(&self, station: &str, recipe: Option<&str>, model: Option<BoardModel>) -> Result<Ask, String> {
        let recipe = match recipe {
            Some(name) => self.recipes.get(name),
            None => self.recipes.values().next(),
        };
        Ok(Ask::Start {
            station: self.station(station)?,
            recipe: recipe.ok_or("no such recipe")?.clone(),
            revision: 1,
            serial: "SN-0001".into(),
            model: model.map(Arc::new),
            foretold: None,
        })
    }

    /// Applies one event, and has the drivers confirm what they were told.
    fn event(&mut self, event: Event, timed: bool) -> Vec<String> {
        let actions = if self.thinking {
            self.lab.apply(self.now, event)
        } else {
            self.lab.take(self.now, event)
        };
        let mut lines = Vec::new();
        let mut answers = Vec::new();
        for action in &actions {
            match action {
                Action::Heat(grant) => {
                    answers.extend(
                        grant
                            .heats()
                            .iter()
                            .map(|(output, seq, heat)| (*output, *seq, *heat)),
                    );
                }
                Action::Off { output, seq }
                | Action::Cut { output, seq }
                | Action::Restore { output, seq } => {
                    answers.push((*output, *seq, Fraction::ZERO));
                    let station = self.setup.outputs[output.0 as usize].station;
                    self.heat_shown[station.index()] = None;
                }
                _ => {}
            }
            let Some(line) = self.show.action(action) else {
                continue;
            };
            if let Action::Heat(grant) = action {
                let shown = &mut self.heat_shown[grant.station().index()];
                if timed && shown.as_ref() == Some(&line) {
                    continue;
                }
                *shown = Some(line.clone());
            }
            lines.push(if timed {
                format!("{} s: {line}", self.now.seconds())
            } else {
                line
            });
        }
        for (output, seq, fraction) in answers {
            let driver = &self.drivers[self.setup.outputs[output.0 as usize].instance.index()];
            if driver.up && driver.answering {
                let answer = Event::Applied {
                    output,
                    seq: Some(seq),
                    fraction,
                    lapsed: false,
                };
                lines.extend(self.event(answer, timed));
            }
        }
        lines
    }

    /// Jumps from one scan or wake-up to the next.
    fn run_to(&mut self, end: Millis) -> Vec<String> {
        let mut lines = Vec::new();
        loop {
            let scan = (0..)
                .zip(&self.drivers)
                .filter(|(_, driver)| driver.up && driver.scanning)
                .map(|(at, driver)| (driver.next_scan, InstanceId(at)))
                .min();
            let tick = self.lab.wake_at();
            // A scan at the moment of a wake-up is handled first: it was in the pipe already.
            let scan = scan.filter(|(at, _)| tick.is_none_or(|tick| *at <= tick));
            match (scan, tick) {
                (Some((at, instance)), _) if at <= end => {
                    self.now = self.now.max(at);
                    lines.extend(self.scan_now(instance));
                }
                (None, Some(tick)) if tick <= end => {
                    self.now = self.now.max(tick);
                    lines.extend(self.event(Event::Tick, true));
                }
                _ => break,
            }
        }
        self.now = end;
        lines
    }

    fn scan_now(&mut self, instance: InstanceId) -> Vec<String> {
        let driver = &mut self.drivers[instance.index()];
        driver.next_scan = self.now + driver.period;
        let values = (0..)
            .zip(self.setup.inputs.iter().zip(&self.sources))
            .filter(|(_, ((owner, _, _), _))| *owner == instance)
            .filter_map(|(at, (_, source))| Some((InputId(at), source.as_ref()?.at(self.now))))
            .collect();
        self.event(
            Event::Scan {
                instance,
                at: self.now,
                values,
            },
            true,
        )
    }

    fn instance(&self, name: &str) -> Result<InstanceId, String> {
        let at = self.setup.instances.iter().position(|one| **one == *name);
        at.and_then(|at| u32::try_from(at).ok())
            .map(InstanceId)
            .ok_or_else(|| format!("no instance `{name}`"))
    }

    fn input(&self, instance: InstanceId, name: &str) -> Result<InputId, String> {
        self.setup
            .input(instance, name)
            .ok_or_else(|| format!("no input `{name}`"))
    }

    fn output(&self, name: &str) -> Result<OutputId, String> {
        let at = self.setup.outputs.iter().position(|output| *output.name == *name);
        at.and_then(|at| u32::try_from(at).ok())
            .map(OutputId)
            .ok_or_else(|| format!("no output `{name}`"))
    }

    fn station(&self, name: &str) -> Result<StationId, String> {
        self.setup
            .station(name)
            .ok_or_else(|| format!("no station `{name}`"))
    }
}

/// A board that was seen before: of the first kind, and five times as sure as of one that nobody has seen.
fn known_board() -> BoardModel {
    let unknown = Belief::of_unknown_boards()[0];
    BoardModel {
        board: "AX-20 backplane".into(),
        revision: 1,
        learned_from: 1,
        hottest: 100.0,
        belief: Belief {
            sd: unknown.sd * 0.2,
            ..unknown
        },
    }
}

fn value(text: &str) -> Result<Value, String> {
    let fault = |fault| Value::Sample(Sample::Fault(fault));
    Ok(match text {
        "open" => fault(Fault::Open),
        "short" => fault(Fault::Short),
        "range" => fault(Fault::Range),
        "cold-junction" => fault(Fault::ColdJunction),
        "device" => fault(Fault::Device),
        "on" => Value::Active(true),
        "off" => Value::Active(false),
        "unreadable" => Value::Unreadable,
        text if text.ends_with('A') => {
            Value::Current(Amps::new(number(text.trim_end_matches('A'))?).map_err(|error| error.to_string())?)
        }
        text => match text.split_once('@') {
            Some((degrees, cold_junction)) => Value::Junction {
                sample: Sample::Good(celsius(degrees)?),
                cold_junction: celsius(cold_junction)?,
            },
            None => Value::Sample(Sample::Good(celsius(text)?)),
        },
    })
}

/// A time at the front of `words`: it, whether it is relative, and how many words it took.
fn time(words: &[&str]) -> Option<(Millis, bool, usize)> {
    let [count, unit, ..] = words else { return None };
    let relative = count.starts_with('+');
    let count: f64 = count.trim_start_matches('+').parse().ok()?;
    let seconds = match *unit {
        "ms" => count / 1000.0,
        "s" => count,
        "min" => count * 60.0,
        _ => return None,
    };
    Some((Millis::from_secs_f64(seconds), relative, 2))
}
