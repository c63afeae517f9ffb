//! The header of a scenario: what the lab is made of.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use benchward_core::interlock::{Effect, InterlockName};
use benchward_core::recipe::Recipe;
use benchward_core::units::{Celsius, CelsiusDelta, Millis, Watts};
use benchward_core::{
    ChannelSetup, InputUse, InstanceId, LimitName, Moved, OutputRole, OutputSetup, RunId, Setup,
    StandingTrip, StationId, StationSetup, SupplySetup,
};

/// What a scenario starts from.
pub(crate) struct Header {
    pub(crate) setup: Setup,
    /// By output: full power as its driver says it.
    pub(crate) watts: Vec<Option<Watts>>,
    /// By output: length of its windows as its driver says it.
    pub(crate) windows: Vec<Option<Millis>>,
    pub(crate) recipes: BTreeMap<String, Arc<Recipe>>,
    /// Kinds of actions that are shown beyond the usual ones, or `-kind` for fewer.
    pub(crate) show: BTreeSet<String>,
    /// Name and text of the recipe that is being read.
    open: Option<(String, String)>,
}

/// What `start bench-1` carries out where the header has no recipe of its own.
/// The board is so heavy that the guard of a first run, which looks at how readings fit the heat, has nothing to say of
/// temperatures that a scenario makes up.
const USUAL_RECIPE: &str = "board_grams = 20000\n[[stage]]\ntarget_celsius = 60\ndwell_s = 5\n";

impl Default for Header {
    fn default() -> Self {
        Self {
            setup: Setup {
                name: "Larkfield Instruments".into(),
                time_scale: 1,
                instances: Vec::new(),
                stations: Vec::new(),
                supplies: Vec::new(),
                inputs: Vec::new(),
                outputs: Vec::new(),
                ceiling: Celsius::constant(260.0),
                absent_after: Millis::from_secs(900),
                next_run: RunId(1),
                moved: Moved::default(),
                standing_trips: Vec::new(),
            },
            watts: Vec::new(),
            windows: Vec::new(),
            recipes: BTreeMap::new(),
            show: BTreeSet::new(),
            open: None,
        }
    }
}

impl Header {
    /// Takes in one line. Returns whether it was one of the header:
    ///
    /// ```text
    /// lab ceiling=260 absent_s=900 time_scale=1 moved-ceiling=270 rise-max=4
    /// supply wall watts=1440
    /// station bench-1 channels=board-top,board-edge permissives=hood instance=bench-1 heat=heat1
    ///     watts=800|unsaid window_ms=1000 supply=wall ceiling=200 contactor=relay/k1 offset=0
    /// standing bench-1 over-temperature cut by=op1 text...
    /// recipe NAME            and its text in indented lines; without any there is `usual`
    /// show rows runs signals texts exact supplies foretold -journal
    /// ```
    ///
    /// A channel may be on another instance: `channels=board-top,other/board-edge`. Every station has a `pedal`, and an
    /// input `amps` that measures its current where it says `current=yes`. Without a station there is `bench-1` with the
    /// channel `board-top`, the output `heat1` of 800 W, and an instance of its own name.
    ///
    /// # Errors
    /// What can't be read.
    pub(crate) fn line(&mut self, line: &str) -> Result<bool, String> {
        if line.starts_with("    ")
            && let Some((_, text)) = &mut self.open
        {
            text.push_str(line);
            text.push('\n');
            return Ok(true);
        }
        self.close_recipe()?;
        let mut words = line.split_whitespace();
        let first = words.next().unwrap_or_default();
        let words: Vec<&str> = words.collect();
        match first {
            "lab" => {
                for (key, value) in pairs(&words)? {
                    match key {
                        "ceiling" => self.setup.ceiling = celsius(value)?,
                        "absent_s" => self.setup.absent_after = Millis::from_secs_f64(number(value)?),
                        "time_scale" => self.setup.time_scale = value.parse().map_err(|_| "time_scale?")?,
                        "moved-ceiling" => self.setup.moved.ceiling = Some(celsius(value)?),
                        key => {
                            let limit = LimitName::parse(key).ok_or(format!("`{key}` is no key of `lab`"))?;
                            self.setup.moved.limits.insert(limit, number(value)?);
                        }
                    }
                }
            }
            "supply" => {
                let [name, watts] = words[..] else {
                    return Err("supply NAME watts=W".into());
                };
                let watts = number(watts.strip_prefix("watts=").ok_or("watts=W")?)?;
                let watts = Watts::new(watts).map_err(|error| error.to_string())?;
                self.setup.supplies.push(SupplySetup {
                    name: name.into(),
                    watts,
                });
            }
            "station" => self.station(&words)?,
            "standing" => self.standing(&words)?,
            "recipe" => {
                let [name] = words[..] else {
                    return Err("recipe NAME".into());
                };
                self.open = Some((name.to_owned(), String::new()));
            }
            "show" => self.show.extend(words.iter().map(|word| (*word).to_owned())),
            _ => return self.finish().map(|()| false),
        }
        Ok(true)
    }

    fn close_recipe(&mut self) -> Result<(), String> {
        let Some((name, text)) = self.open.take() else {
            return Ok(());
        };
        let text = format!("recipe = \"{name}\"\n{text}");
        let recipe = Recipe::parse(&name, &text).map_err(|mistakes| mistakes.to_string())?;
        self.recipes.insert(name, Arc::new(recipe));
        Ok(())
    }

    fn finish(&mut self) -> Result<(), String> {
        if self.setup.stations.is_empty() {
            self.station(&["bench-1"])?;
        }
        if self.recipes.is_empty() {
            self.open = Some(("usual".to_owned(), USUAL_RECIPE.to_owned()));
            self.close_recipe()?;
        }
        let names: BTreeSet<_> = self.setup.outputs.iter().map(|output| &output.name).collect();
        if names.len() < self.setup.outputs.len() {
            return Err("outputs of a scenario need different names: say `heat=NAME`".into());
        }
        Ok(())
    }

    fn station(&mut self, words: &[&str]) -> Result<(), String> {
        let (name, words) = words.split_first().ok_or("station NAME")?;
        let id = StationId(u32::try_from(self.setup.stations.len()).map_err(|_| "too many")?);
        let mut station = StationSetup {
            name: (*name).into(),
            channels: Vec::new(),
            permissives: Vec::new(),
            supply: None,
            ceiling: None,
            follows_heat: true,
        };
        let (mut channels, mut permissives) = ("board-top", "");
        let (mut instance, mut heat) = ((*name).to_owned(), format!("heat{}", id.0 + 1));
        let (mut contactor, mut current) = (None, false);
        let mut watts = Some(Watts::new(800.0).map_err(|error| error.to_string())?);
        let mut window = None;
        let mut offset = CelsiusDelta::constant(0.0);
        for (key, value) in pairs(words)? {
            match key {
                "channels" => channels = value,
                "permissives" => permissives = value,
                "instance" => value.clone_into(&mut instance),
                "heat" => value.clone_into(&mut heat),
                "watts" if value == "unsaid" => watts = None,
                "watts" => watts = Some(Watts::new(number(value)?).map_err(|error| error.to_string())?),
                "window_ms" => window = Some(Millis(value.parse().map_err(|_| "window_ms?")?)),
                "supply" => {
                    let at = self
                        .setup
                        .supplies
                        .iter()
                        .position(|supply| *supply.name == *value);
                    station.supply = Some(at.ok_or("name the supply first")?);
                }
                "ceiling" => station.ceiling = Some(celsius(value)?),
                "current" => current = value == "yes",
                // Readings that are made up here don't follow the heat: what is shown then are the other rules.
                "follows_heat" => station.follows_heat = value == "yes",
                "contactor" => contactor = Some(value.split_once('/').ok_or("contactor=INSTANCE/OUTPUT")?),
                "offset" => offset = CelsiusDelta::new(number(value)?).map_err(|error| error.to_string())?,
                _ => return Err(format!("`{key}` is no key of `station`")),
            }
        }
        let instance = self.instance(&instance);
        let list = |names: &str| {
            names
                .split(',')
                .filter(|name| !name.is_empty())
                .map(Arc::<str>::from)
                .collect()
        };
        let (channels, permissives): (Vec<Arc<str>>, Vec<Arc<str>>) = (list(channels), list(permissives));
        for (at, channel) in channels.into_iter().enumerate() {
            let (instance, channel) = match channel.split_once('/') {
                Some((other, name)) => (self.instance(other), name.into()),
                None => (instance, channel),
            };
            self.setup
                .inputs
                .push((instance, channel.clone(), InputUse::Channel(id, at)));
            station.channels.push(ChannelSetup {
                name: channel,
                offset,
            });
        }
        for (at, permissive) in permissives.into_iter().enumerate() {
            self.setup
                .inputs
                .push((instance, permissive.clone(), InputUse::Permissive(id, at)));
            station.permissives.push(permissive);
        }
        self.setup
            .inputs
            .push((instance, "pedal".into(), InputUse::Presence(id)));
        if current {
            self.setup
                .inputs
                .push((instance, "amps".into(), InputUse::Current(id)));
        }
        if heat != "none" {
            let heat = OutputSetup {
                instance,
                name: heat.into(),
                station: id,
                role: OutputRole::Heat,
            };
            self.setup.outputs.push(heat);
            self.watts.push(watts);
            self.windows.push(window);
        }
        if let Some((instance, name)) = contactor {
            let instance = self.instance(instance);
            let contactor = OutputSetup {
                instance,
                name: name.into(),
                station: id,
                role: OutputRole::Contactor,
            };
            self.setup.outputs.push(contactor);
            self.watts.push(None);
            self.windows.push(None);
        }
        self.setup.stations.push(station);
        Ok(())
    }

    fn instance(&mut self, name: &str) -> InstanceId {
        let at = self
            .setup
            .instances
            .iter()
            .position(|one| **one == *name)
            .unwrap_or_else(|| {
                self.setup.instances.push(name.into());
                self.setup.instances.len() - 1
            });
        InstanceId(u32::try_from(at).unwrap())
    }

    fn standing(&mut self, words: &[&str]) -> Result<(), String> {
        if self.setup.stations.is_empty() {
            self.station(&["bench-1"])?;
        }
        let [station, interlock, effect, words @ ..] = words else {
            return Err("standing STATION INTERLOCK cut|heat-off TEXT".into());
        };
        let (acknowledged_by, words) = match words {
            [by, words @ ..] if by.starts_with("by=") => (Some(by[3..].into()), words),
            words => (None, words),
        };
        self.setup.standing_trips.push(StandingTrip {
            station: self.setup.station(station).ok_or("name the station first")?,
            interlock: InterlockName::parse(interlock).ok_or("no such interlock")?,
            effect: Effect::parse(&effect.replace('-', " ")).ok_or("cut or heat-off")?,
            text: words.join(" ").into(),
            acknowledged_by,
        });
        Ok(())
    }
}

fn pairs<'a>(words: &[&'a str]) -> Result<Vec<(&'a str, &'a str)>, String> {
    words
        .iter()
        .map(|word| {
            word.split_once('=')
                .ok_or_else(|| format!("`{word}` is not key=value"))
        })
        .collect()
}

pub(crate) fn number(text: &str) -> Result<f64, String> {
    text.parse().map_err(|_| format!("`{text}` is not a number"))
}

pub(crate) fn celsius(text: &str) -> Result<Celsius, String> {
    Celsius::new(number(text)?).map_err(|error| error.to_string())
}
