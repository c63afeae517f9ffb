//! What a simulated bench can be set to.

use std::path::PathBuf;

use serde::Deserialize;

use crate::bench::Node;
use crate::faults::Fault;

/// Settings of one instance, as they stand in the configuration. The defaults are a bench of 800 W with a board of 90 g.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Settings {
    /// Mass of the board with its parts, 5 to 3000 g.
    pub board_grams: f64,
    /// Area of the board; by default what boards of that mass usually have.
    pub board_square_cm: Option<f64>,
    /// What heats it.
    pub heater: HeaterKind,
    /// Full power of the heater, 10 to 10000 W.
    pub watts: f64,
    /// Time constant of the heating element about 40 % power, 0.5 to 300 s; by default what its kind has: lamp 4,
    /// ceramic 13, plate 45, air 5.
    pub heater_lag_s: Option<f64>,
    /// The element at full power with everything around it at 100 °C, 150 to 1200 °C; by default what its kind has: lamp
    /// 750, ceramic 500, plate 330, air 320.
    pub element_celsius: Option<f64>,
    /// Power of the heater's face, 0.2 to 10 W/cm²: what the board covers of the face it can get.
    pub face_w_per_square_cm: f64,
    /// The room.
    pub ambient_celsius: f64,
    /// Where everything starts; by default as warm as the room.
    pub start_celsius: Option<f64>,
    /// Standard deviation of the sensors' noise.
    pub noise_celsius: f64,
    /// Step of the converter; 0 for none.
    pub step_celsius: f64,
    /// Time constant of the sensors, 0.05 to 60 s: one number, or one for each.
    pub sensor_lag_s: PerSensor,
    /// How much a taped bead misses of the board's excess over the room, 0 to 0.2: one number, or one for each.
    pub contact_error: PerSensor,
    /// What the board's edge gets of the heat that its centre gets, area for area, 0.2 to 1.5.
    pub edge_share: f64,
    /// Convection on the board, as a multiple of still air's, 0.2 to 5.
    pub convection: f64,
    /// Emissivity of the board's top and its parts, 0.05 to 1.
    pub emissivity: f64,
    /// Specific heat of the laminate, 500 to 1500 J/(kg K): FR-4 900 to 1200, with its copper less.
    pub specific_heat: f64,
    /// Conductivity through the laminate, 0.1 to 5 W/(m K).
    pub through_w_per_m_k: f64,
    /// Conductivity along the board, which is its copper's, 0.3 to 100 W/(m K).
    pub along_w_per_m_k: f64,
    /// Time constant of the bench's body, 30 to 7200 s.
    pub body_lag_s: f64,
    /// How many sensors `tc1`, `tc2` ..., or what they sit on.
    pub channels: Channels,
    /// Scans a second, above 0 and at most 100.
    pub rate_hz: f64,
    /// Offers a presence input `pedal` that starts like this. Pressed by the fault `pedal`.
    pub pedal: Option<bool>,
    /// Offers a permissive input `hood` that starts like this; true is shut.
    pub hood: Option<bool>,
    /// Offers an input `amps` with what the heater draws at 230 V.
    pub current: bool,
    /// The heater has a contactor besides its controller.
    pub cuts: bool,
    /// The heater is a relay with this window.
    pub window_ms: Option<u32>,
    /// A fan blows on the board after 5 s without heat, until it is at 40 °C.
    pub fan: bool,
    /// Same seed, same noise, drafts and mains.
    pub seed: u64,
    /// Standard deviation of the draft's effect on convection, as a share of it; 0 for none.
    pub draft: f64,
    /// Standard deviation of the mains voltage, as a share of it; 0 for none.
    pub mains_wander: f64,
    /// How much faster than the lab's time the bench heats and cools.
    pub speed: f64,
    /// What goes wrong, and when.
    pub faults: Vec<Fault>,
    /// A socket that takes faults on command, one JSON object a line.
    pub control: Option<PathBuf>,
}

impl Default for Settings {
    fn default() -> Self {
        Settings {
            board_grams: 90.0,
            board_square_cm: None,
            heater: HeaterKind::Ceramic,
            watts: 800.0,
            heater_lag_s: None,
            element_celsius: None,
            face_w_per_square_cm: 1.28,
            ambient_celsius: 24.0,
            start_celsius: None,
            noise_celsius: 0.05,
            step_celsius: 1.0 / 128.0,
            sensor_lag_s: PerSensor::All(0.8),
            contact_error: PerSensor::All(0.01),
            edge_share: 0.8,
            convection: 1.0,
            emissivity: 0.9,
            specific_heat: 1_000.0,
            through_w_per_m_k: 0.3,
            along_w_per_m_k: 12.0,
            body_lag_s: 500.0,
            channels: Channels::Count(2),
            rate_hz: 10.0,
            pedal: Some(false),
            hood: Some(true),
            current: false,
            cuts: true,
            window_ms: None,
            fan: false,
            seed: 1,
            draft: 0.05,
            mains_wander: 0.01,
            speed: 1.0,
            faults: Vec::new(),
            control: None,
        }
    }
}

/// What heats the board.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum HeaterKind {
    /// Quartz lamps: quick, hot, by radiation.
    Lamp,
    /// Ceramic infrared elements: slower, by radiation.
    Ceramic,
    /// A hot plate: slow.
    Plate,
    /// Hot air: by convection.
    Air,
}

/// Which sensors there are.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(
    untagged,
    expecting = "a number from 1 to 8, or a list of places such as [\"top-centre\", \"top-edge\"]"
)]
pub enum Channels {
    /// The first so many of: top centre, top edge, component, bottom centre, bottom edge, then the same places again.
    Count(usize),
    /// What each sits on.
    Places(Vec<Node>),
}

impl Channels {
    /// Most sensors of one bench.
    pub const MOST: usize = 8;

    /// What the sensors sit on, in order.
    ///
    /// # Errors
    /// If there are none or more than [`Channels::MOST`].
    pub fn places(&self) -> Result<Vec<Node>, WrongSettings> {
        const ORDER: [Node; Channels::MOST] = [
            Node::TopCentre,
            Node::TopEdge,
            Node::Component,
            Node::BottomCentre,
            Node::BottomEdge,
            Node::TopCentre,
            Node::TopEdge,
            Node::Component,
        ];
        let places = match self {
            Channels::Count(count) => ORDER.get(..*count).unwrap_or(&[]).to_vec(),
            Channels::Places(places) => places.clone(),
        };
        if places.is_empty() || places.len() > Channels::MOST {
            return Err(WrongSettings(format!(
                "channels: 1 to {} sensors, not {self:?}",
                Channels::MOST
            )));
        }
        Ok(places)
    }
}

/// A number for all sensors, or one for each in their order.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(untagged, expecting = "a number, or a list with one number for each sensor")]
pub enum PerSensor {
    /// The same for all.
    All(f64),
    /// One for each.
    Each(Vec<f64>),
}

impl PerSensor {
    /// The number for a sensor, counted from 0. `None`: the list is too short.
    pub fn of(&self, sensor: usize) -> Option<f64> {
        match self {
            PerSensor::All(value) => Some(*value),
            PerSensor::Each(values) => values.get(sensor).copied(),
        }
    }
}

impl From<f64> for PerSensor {
    fn from(value: f64) -> Self {
        PerSensor::All(value)
    }
}

/// A setting that is out of bounds: which, its value, and the bound.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct WrongSettings(pub(crate) String);

impl Settings {
    /// Ids of the sensors: `tc1`, `tc2` and so on.
    pub fn sensor_ids(&self) -> Vec<String> {
        let count = self.channels.places().map_or(0, |p| p.len());
        (1..=count).map(|n| format!("tc{n}")).collect()
    }

    /// Checks every number against its bound, and the faults against the inputs that there are.
    ///
    /// # Errors
    /// All that is wrong, one after the other.
    pub fn check(&self) -> Result<(), WrongSettings> {
        let mut wrong = Vec::new();
        let mut bound = |key: &str, value: f64, low: f64, high: f64, unit: &str| {
            if !(low..=high).contains(&value) {
                wrong.push(format!("{key} = {value} is outside {low} to {high}{unit}"));
            }
        };
        bound("board_grams", self.board_grams, 5.0, 3_000.0, " g");
        if let Some(area) = self.board_square_cm {
            bound("board_square_cm", area, 5.0, 10_000.0, " cm²");
        }
        bound("watts", self.watts, 10.0, 10_000.0, " W");
        bound("ambient_celsius", self.ambient_celsius, -20.0, 60.0, " °C");
        if let Some(start) = self.start_celsius {
            bound("start_celsius", start, -20.0, 250.0, " °C");
        }
        bound("noise_celsius", self.noise_celsius, 0.0, 10.0, " °C");
        bound("step_celsius", self.step_celsius, 0.0, 5.0, " °C");
        for (key, of, low, high, unit) in [
            ("sensor_lag_s", &self.sensor_lag_s, 0.05, 60.0, " s"),
            ("contact_error", &self.contact_error, 0.0, 0.2, ""),
        ] {
            match of {
                PerSensor::All(value) => bound(key, *value, low, high, unit),
                PerSensor::Each(values) => {
                    for value in values {
                        bound(key, *value, low, high, unit);
                    }
                }
            }
        }
        if let Some(lag) = self.heater_lag_s {
            bound("heater_lag_s", lag, 0.5, 300.0, " s");
        }
        if let Some(element) = self.element_celsius {
            bound("element_celsius", element, 150.0, 1_200.0, " °C");
        }
        bound(
            "face_w_per_square_cm",
            self.face_w_per_square_cm,
            0.2,
            10.0,
            " W/cm²",
        );
        bound("edge_share", self.edge_share, 0.2, 1.5, "");
        bound("convection", self.convection, 0.2, 5.0, "");
        bound("emissivity", self.emissivity, 0.05, 1.0, "");
        bound("specific_heat", self.specific_heat, 500.0, 1_500.0, " J/(kg K)");
        bound("through_w_per_m_k", self.through_w_per_m_k, 0.1, 5.0, " W/(m K)");
        bound("along_w_per_m_k", self.along_w_per_m_k, 0.3, 100.0, " W/(m K)");
        bound("body_lag_s", self.body_lag_s, 30.0, 7_200.0, " s");
        bound("rate_hz", self.rate_hz, 0.01, 100.0, " Hz");
        bound("draft", self.draft, 0.0, 0.5, "");
        bound("mains_wander", self.mains_wander, 0.0, 0.2, "");
        bound("speed", self.speed, 0.01, 1_000.0, "");
        if let Some(window) = self.window_ms {
            bound("window_ms", f64::from(window), 1.0, 1_000.0, " ms");
        }
        if let Err(error) = self.channels.places() {
            wrong.push(error.to_string());
        }
        let ids = self.sensor_ids();
        for (key, of) in [
            ("sensor_lag_s", &self.sensor_lag_s),
            ("contact_error", &self.contact_error),
        ] {
            if let PerSensor::Each(values) = of
                && values.len() != ids.len()
            {
                wrong.push(format!(
                    "{key} lists {} values for {} sensors; give one for each, or one number for all",
                    values.len(),
                    ids.len()
                ));
            }
        }
        for (n, fault) in self.faults.iter().enumerate() {
            if let Err(error) = fault.check(&ids) {
                wrong.push(format!("faults, entry {}: {error}", n + 1));
            }
        }
        if wrong.is_empty() {
            Ok(())
        } else {
            Err(WrongSettings(wrong.join("; ")))
        }
    }
}
