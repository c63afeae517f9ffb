//! The bench: heater, body, board and sensors.

use benchward_driver::wire;
use serde::Deserialize;

use crate::faults::{Fault, Kind, PEEL_S, Schedule};
use crate::network::{End, Link, Network, STEFAN_BOLTZMANN, ZERO_CELSIUS};
use crate::random::{Random, Wander};
use crate::settings::{HeaterKind, Settings, WrongSettings};

/// Step of the integration. The shortest time constant, through the board, is about 2 s.
const STEP_S: f64 = 0.05;

/// A place on the bench that has a temperature of its own.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Node {
    /// The heating element.
    Element,
    /// The bench's housing, which warms slowly and keeps the board warm from below.
    Body,
    /// The board's underside at its centre.
    BottomCentre,
    /// The board's underside at its edge.
    BottomEdge,
    /// The board's top at its centre.
    TopCentre,
    /// The board's top at its edge.
    TopEdge,
    /// A heavy component on the top.
    Component,
}

impl Node {
    const COUNT: usize = 7;

    fn end(self) -> End {
        End::Node(self as usize)
    }
}

/// What a sensor reads.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Reading {
    /// Degrees Celsius.
    Celsius(f64),
    /// No value.
    Fault(wire::Fault),
}

/// A simulated bench. Time is a parameter; see the crate's documentation.
#[derive(Debug, Clone)]
pub struct Bench {
    network: Network<{ Node::COUNT }>,
    sensors: Vec<Sensor>,
    schedule: Schedule,
    settings: Settings,
    draft: Wander,
    mains: Wander,
    contactor_open: bool,
    /// What a lamp shines on, and its area, cm².
    lit: [(Node, f64); 3],
    /// Convection as a multiple of what it is with the doors shut.
    convection: f64,
    /// Time that has been asked for but is shorter than a step.
    owed_s: f64,
    steps: u64,
    /// When heat was last on, for the fan.
    heated_s: f64,
    watts: f64,
}

#[derive(Debug, Clone)]
struct Sensor {
    id: String,
    place: Node,
    /// What stays of a difference after one step.
    keep: f64,
    contact_error: f64,
    lagged: f64,
    noise: Random,
    /// The newest value that went out, which a stuck sensor repeats.
    last: Option<f64>,
}

impl Bench {
    /// Everything at its start temperature, heat off.
    ///
    /// # Errors
    /// All settings that are out of bounds.
    pub fn new(settings: &Settings) -> Result<Self, WrongSettings> {
        settings.check()?;
        let start = settings.start_celsius.unwrap_or(settings.ambient_celsius);
        let sensors = settings
            .channels
            .places()?
            .into_iter()
            .zip(settings.sensor_ids())
            .zip(100..)
            .enumerate()
            .map(|(n, ((place, id), stream))| {
                // `check` has seen to it that there is a number for each.
                let lag_s = settings.sensor_lag_s.of(n).unwrap_or(STEP_S);
                Sensor {
                    id,
                    place,
                    keep: (-STEP_S / lag_s).exp(),
                    contact_error: settings.contact_error.of(n).unwrap_or(0.0),
                    lagged: start,
                    noise: Random::new(settings.seed, stream),
                    last: None,
                }
            })
            .collect();
        let mut schedule = Schedule::new(settings.faults.clone());
        schedule.advance(0.0);
        Ok(Bench {
            network: network(settings, start),
            sensors,
            schedule,
            draft: Wander::new(settings.draft, 20.0, Random::new(settings.seed, 1)),
            mains: Wander::new(settings.mains_wander, 60.0, Random::new(settings.seed, 2)),
            settings: settings.clone(),
            lit: lit(settings),
            contactor_open: false,
            convection: 1.0,
            owed_s: 0.0,
            steps: 0,
            heated_s: 0.0,
            watts: 0.0,
        })
    }

    /// Lets `dt_s` seconds pass with the controller told `heat`, 0 to 1.
    ///
    /// The bench moves in steps of 50 ms, so the result doesn't depend on how the time is cut up.
    pub fn advance(&mut self, dt_s: f64, heat: f64) {
        if heat > 0.0 {
            self.schedule.heated(self.time_s());
        }
        self.owed_s += dt_s;
        // A hair of tolerance, so that ten times 0.1 s are twenty steps.
        while self.owed_s >= STEP_S - 1e-9 {
            self.owed_s -= STEP_S;
            self.step(heat.clamp(0.0, 1.0));
        }
    }

    fn step(&mut self, heat: f64) {
        self.steps += 1;
        let now = self.time_s();
        self.schedule.advance(now);
        let conducts = match (self.contactor_open, self.schedule.is(Kind::HeaterDead)) {
            (true, _) | (_, true) => 0.0,
            _ if self.schedule.is(Kind::HeaterStuckOn) => 1.0,
            _ => heat,
        } * if self.schedule.is(Kind::HeaterHalf) {
            0.5
        } else {
            1.0
        };
        if conducts > 0.0 {
            self.heated_s = now;
        }
        let sag = if self.schedule.is(Kind::Sag) { 0.85 } else { 1.0 };
        let volts = (1.0 + self.mains.advance(STEP_S)).max(0.0) * sag;
        self.watts = conducts * self.settings.watts * volts * volts;
        let mut draft = (1.0 + self.draft.advance(STEP_S)).max(0.2) * self.convection;
        let gust = self.schedule.running(Kind::Gust);
        draft *= gust.map_or(1.0, |gust| gust.factor.unwrap_or(GUST_FACTOR));
        let colder = gust.and_then(|gust| gust.colder_celsius).unwrap_or(0.0);
        self.network.set_room(self.settings.ambient_celsius - colder);
        let lamp = self.schedule.running(Kind::Lamp);
        let lamp = lamp.map_or(0.0, |lamp| lamp.w_per_square_cm.unwrap_or(LAMP_W_PER_SQUARE_CM));
        let mut shone = [0.0; Node::COUNT];
        for (node, square_cm) in self.lit {
            shone[node as usize] = lamp * self.settings.emissivity * square_cm;
        }
        self.network.shine(shone);
        if self.fan_runs(now) {
            draft *= 4.0;
        }
        self.network
            .step(STEP_S, Node::Element as usize, self.watts, draft);
        for sensor in &mut self.sensors {
            let room = self.settings.ambient_celsius;
            let seen = seen(sensor, &self.network, &self.schedule, room, now);
            sensor.lagged = seen + (sensor.lagged - seen) * sensor.keep;
        }
    }

    fn fan_runs(&self, now_s: f64) -> bool {
        self.settings.fan && now_s - self.heated_s > 5.0 && self.celsius(Node::TopCentre) > 40.0
    }

    /// What the sensors read now, in their order: id and value. Every call draws new noise.
    pub fn readings(&mut self) -> Vec<(String, Reading)> {
        let Settings {
            noise_celsius,
            step_celsius,
            ..
        } = self.settings;
        let schedule = &self.schedule;
        let mut readings: Vec<(String, Reading)> = self
            .sensors
            .iter_mut()
            .map(|sensor| {
                let mut celsius = sensor.lagged + noise_celsius * sensor.noise.gaussian();
                if step_celsius > 0.0 {
                    celsius = (celsius / step_celsius).round() * step_celsius;
                }
                let faults = || schedule.of_input(&sensor.id).map(|(fault, _)| fault.kind);
                let reading = match faults().find_map(Kind::reported) {
                    Some(fault) => Reading::Fault(fault),
                    None if faults().any(|kind| kind == Kind::Stuck) => {
                        Reading::Celsius(*sensor.last.get_or_insert(celsius))
                    }
                    None => Reading::Celsius(*sensor.last.insert(celsius)),
                };
                (sensor.id.clone(), reading)
            })
            .collect();
        if schedule.is(Kind::Exchanged)
            && let [(_, first), (_, second), ..] = readings.as_mut_slice()
        {
            std::mem::swap(first, second);
        }
        readings
    }

    /// How long the bench has lived.
    pub fn time_s(&self) -> f64 {
        #[expect(clippy::cast_precision_loss, reason = "exact for fourteen million years")]
        let steps = self.steps as f64;
        steps * STEP_S
    }

    /// The true temperature of a place, degrees Celsius.
    pub fn celsius(&self, node: Node) -> f64 {
        self.network.celsius(node as usize)
    }

    /// What a bead that sits as sensor `sensor` (counted from 0) does, but is well taped and has neither lag nor noise,
    /// would read: the best that anybody can know of that place. `None`: there is no such sensor.
    pub fn site_celsius(&self, sensor: usize) -> Option<f64> {
        let sensor = self.sensors.get(sensor)?;
        let room = self.settings.ambient_celsius;
        let excess = self.network.celsius(sensor.place as usize) - room;
        Some(room + excess * (1.0 - sensor.contact_error))
    }

    /// From here on the mains have their nominal voltage and there is no draft: what an undisturbed bench would do.
    pub fn calm(&mut self) {
        self.draft.calm();
        self.mains.calm();
    }

    /// What the heater takes, amperes at 230 V.
    pub fn amps(&self) -> f64 {
        self.watts / 230.0
    }

    /// Opens or closes the contactor in front of the heater, which works whatever its controller does.
    pub fn open_contactor(&mut self, open: bool) {
        self.contactor_open = open;
    }

    /// Makes convection so many times what it is otherwise, until told otherwise: a draft of a chosen strength.
    pub fn draft(&mut self, convection: f64) {
        self.convection = convection.clamp(0.0, 10.0);
    }

    /// Something goes wrong, at its time or at once.
    pub fn cause(&mut self, fault: Fault) {
        self.schedule.add(fault);
        self.schedule.advance(self.time_s());
    }

    /// Whether something of this kind is wrong now.
    pub fn suffers(&self, kind: Kind) -> bool {
        self.schedule.is(kind)
    }

    /// Ids of the sensors.
    pub fn sensor_ids(&self) -> Vec<String> {
        self.sensors.iter().map(|s| s.id.clone()).collect()
    }

    /// The board is taken off and a cold one of its kind put on, with the sensors on it as they were. The bench stays as warm as
    /// it is.
    pub fn change_board(&mut self) {
        for node in [
            Node::BottomCentre,
            Node::BottomEdge,
            Node::TopCentre,
            Node::TopEdge,
            Node::Component,
        ] {
            self.network.replace(node as usize, self.settings.ambient_celsius);
        }
    }

    /// Energy stored above the room's temperature, joules.
    pub fn stored_j(&self) -> f64 {
        self.network.stored_j()
    }

    /// Energy that the heater took so far, joules.
    pub fn supplied_j(&self) -> f64 {
        self.network.supplied_j()
    }

    /// Energy lost to the room so far, joules.
    pub fn lost_j(&self) -> f64 {
        self.network.lost_j()
    }
}

/// What a gust multiplies convection by unless it says.
const GUST_FACTOR: f64 = 2.0;

/// What a lamp brings unless it says, W/cm²: half of 100 W on a disc of 45 cm. Common practice, no source.
const LAMP_W_PER_SQUARE_CM: f64 = 0.03;

/// What a bead feels: the board less the contact error, the air above it once it is off, or something else altogether.
fn seen(
    sensor: &Sensor,
    network: &Network<{ Node::COUNT }>,
    schedule: &Schedule,
    room: f64,
    now_s: f64,
) -> f64 {
    /// Share of the board's excess over the room that the air right above it has.
    const AIR_SHARE: f64 = 0.12;
    let excess = network.celsius(sensor.place as usize) - room;
    let taped = room + excess * (1.0 - sensor.contact_error);
    let off = schedule
        .of_input(&sensor.id)
        .map(|(fault, since)| match fault.kind {
            Kind::Lifted => fault.lost.unwrap_or(1.0),
            Kind::Peel => {
                let over = fault.over_s.unwrap_or(PEEL_S).max(STEP_S);
                ((now_s - since) / over).clamp(0.0, 1.0)
            }
            _ => 0.0,
        })
        .fold(0.0, f64::max);
    let felt = taped + (room + excess * AIR_SHARE - taped) * off;
    schedule
        .of_input(&sensor.id)
        .fold(felt, |felt, (fault, _)| match fault.kind {
            Kind::Bridged => fault.place.map_or(room, |place| network.celsius(place as usize)),
            Kind::Reversed => 2.0 * room - felt,
            _ => felt,
        })
}

/// What a kind of heater is like.
struct HeaterFigures {
    /// Element at full power with everything around it at 100 °C.
    full_celsius: f64,
    /// Share of that power that leaves by radiation.
    radiant: f64,
    /// Time constant about 40 % power.
    lag_s: f64,
}

impl HeaterKind {
    fn figures(self) -> HeaterFigures {
        let (full_celsius, radiant, lag_s) = match self {
            HeaterKind::Lamp => (750.0, 0.92, 4.0),
            HeaterKind::Ceramic => (500.0, 0.85, 13.0),
            HeaterKind::Plate => (330.0, 0.20, 45.0),
            HeaterKind::Air => (320.0, 0.05, 5.0),
        };
        HeaterFigures {
            full_celsius,
            radiant,
            lag_s,
        }
    }
}

/// The board's area.
fn square_cm(settings: &Settings) -> f64 {
    let areal = (0.28 + 0.17 * (settings.board_grams / 21.0).ln() / (952.0_f64 / 21.0).ln()).clamp(0.2, 0.6);
    settings.board_square_cm.unwrap_or(settings.board_grams / areal)
}

/// What of the board is seen from above, cm².
fn lit(settings: &Settings) -> [(Node, f64); 3] {
    let area = square_cm(settings);
    let component = 0.03 * area;
    [
        (Node::TopCentre, 0.6 * area - component),
        (Node::TopEdge, 0.4 * area),
        (Node::Component, component),
    ]
}

/// Builds the network for one bench.
fn network(settings: &Settings, start_celsius: f64) -> Network<{ Node::COUNT }> {
    // The element: what it gives off at full power fixes its coefficients, its lag at 40 % fixes its capacity.
    let mut heater = settings.heater.figures();
    heater.lag_s = settings.heater_lag_s.unwrap_or(heater.lag_s);
    heater.full_celsius = settings.element_celsius.unwrap_or(heater.full_celsius);
    let around = 100.0;
    let fourth = |celsius: f64| (celsius + ZERO_CELSIUS).powi(4);
    let radiance =
        heater.radiant * settings.watts / (STEFAN_BOLTZMANN * (fourth(heater.full_celsius) - fourth(around)));
    let conductance = (1.0 - heater.radiant) * settings.watts / (heater.full_celsius - around);
    let off = |celsius: f64| {
        STEFAN_BOLTZMANN * radiance * (fourth(celsius) - fourth(around)) + conductance * (celsius - around)
    };
    let at_40 = bisect(
        |celsius| off(celsius) - 0.4 * settings.watts,
        around,
        heater.full_celsius,
    );
    let slope = (off(at_40 + 0.5) - off(at_40 - 0.5)) / 1.0;
    let element_capacity = heater.lag_s * slope;

    // The board. Bigger boards are thicker and carry more: 0.28 g/cm² at 21 g to 0.45 g/cm² at 952 g.
    let mass_kg = settings.board_grams / 1_000.0;
    let area = square_cm(settings) / 10_000.0;
    let (centre, edge) = (0.6 * area, 0.4 * area);
    let (laminate_kg, component_kg) = (0.92 * mass_kg, 0.08 * mass_kg);
    let layer = |part: f64| 0.5 * laminate_kg * part / area * settings.specific_heat;
    let component_capacity = component_kg * 800.0;
    let component_area = 0.03 * area;

    // Through the laminate over half of 1.6 mm; along it over as much, for each face.
    let through = |part: f64| settings.through_w_per_m_k * part / 0.000_8;
    let side = area.sqrt();
    let along = settings.along_w_per_m_k * 0.000_8 * (4.0 * centre.sqrt()) / (0.25 * side);

    // The board sees the share of the heater's face that it covers.
    let heater_area = settings.watts / (settings.face_w_per_square_cm * 10_000.0);
    let to_board = (0.53 * area / heater_area).min(0.5);
    let weight_edge = settings.edge_share * edge / (centre + settings.edge_share * edge);
    let to_room = 0.08;
    let (emissivity, bottom_emissivity) = (settings.emissivity, 0.45);

    let link = |from: Node, to: End, conductance: f64, radiance: f64, in_draft: bool| Link {
        from: from.end(),
        to,
        conductance,
        radiance,
        in_draft,
    };
    let element = |to: End, share: f64| link(Node::Element, to, share * conductance, share * radiance, false);
    let inside = |from: Node, to: Node, conductance: f64| link(from, to.end(), conductance, 0.0, false);
    let above = |from: Node, part: f64, coefficient: f64| {
        link(
            from,
            End::Room,
            settings.convection * coefficient * part,
            emissivity * part,
            true,
        )
    };
    let below = |from: Node, part: f64| {
        let to_body = link(
            from,
            Node::Body.end(),
            settings.convection * 4.0 * part,
            bottom_emissivity * part,
            false,
        );
        [
            to_body,
            link(from, End::Room, settings.convection * 3.0 * part, 0.0, true),
        ]
    };

    let mut links = vec![
        element(Node::BottomCentre.end(), to_board * (1.0 - weight_edge)),
        element(Node::BottomEdge.end(), to_board * weight_edge),
        element(Node::Body.end(), 1.0 - to_board - to_room),
        element(End::Room, to_room),
        inside(Node::BottomCentre, Node::TopCentre, through(centre)),
        inside(Node::BottomEdge, Node::TopEdge, through(edge)),
        inside(Node::BottomCentre, Node::BottomEdge, along),
        inside(Node::TopCentre, Node::TopEdge, along),
        // Solder and leads: the component follows the board within about 20 s.
        inside(Node::TopCentre, Node::Component, component_capacity / 20.0),
        above(Node::TopCentre, centre - component_area, 8.0),
        above(Node::TopEdge, edge, 10.0),
        above(Node::Component, component_area, 12.0),
        link(Node::Body, End::Room, settings.watts / 160.0, 0.0, false),
    ];
    links.extend(below(Node::BottomCentre, centre));
    links.extend(below(Node::BottomEdge, edge));

    let mut capacities = [0.0; Node::COUNT];
    for (node, capacity) in [
        (Node::Element, element_capacity),
        // With its loss this warms within about its time constant.
        (Node::Body, settings.body_lag_s * settings.watts / 160.0),
        (Node::BottomCentre, layer(centre)),
        (Node::BottomEdge, layer(edge)),
        (Node::TopCentre, layer(centre)),
        (Node::TopEdge, layer(edge)),
        (Node::Component, component_capacity),
    ] {
        capacities[node as usize] = capacity;
    }
    Network::new(capacities, links, start_celsius, settings.ambient_celsius)
}

/// Where a rising function crosses zero.
fn bisect(f: impl Fn(f64) -> f64, mut low: f64, mut high: f64) -> f64 {
    for _ in 0..60 {
        let middle = f64::midpoint(low, high);
        if f(middle) < 0.0 {
            low = middle;
        } else {
            high = middle;
        }
    }
    f64::midpoint(low, high)
}

#[cfg(test)]
mod tests;
