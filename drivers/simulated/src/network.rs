//! Lumped thermal network: nodes with a heat capacity, links that carry heat between them and to the room.
//!
//! A link carries `conductance * (Ta - Tb) + sigma * radiance * (Ta^4 - Tb^4)`, the second with kelvins. What leaves one end arrives at the
//! other, and what was supplied and lost is integrated with the same weights as the temperatures, so that energy is conserved to rounding, not
//! just to the integration error.

/// Stefan-Boltzmann constant, W/(m² K⁴). Exact since the SI of 2019 (CODATA 2018).
pub const STEFAN_BOLTZMANN: f64 = 5.670_374_419e-8;

/// 0 °C in kelvin.
pub const ZERO_CELSIUS: f64 = 273.15;

/// One end of a link.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum End {
    /// The node with this index.
    Node(usize),
    /// The room: a temperature that nothing changes.
    Room,
}

/// Carries heat between two ends.
#[derive(Debug, Clone, Copy)]
pub struct Link {
    /// Where heat leaves when it is the hotter end.
    pub from: End,
    /// Where it arrives.
    pub to: End,
    /// W/K.
    pub conductance: f64,
    /// Emissivity x area x view factor, m².
    pub radiance: f64,
    /// Its conductance grows with the draft.
    pub in_draft: bool,
}

impl Link {
    /// Heat from `from` to `to` in watts, for temperatures in degrees Celsius and a draft factor on the conductance.
    pub fn flow(&self, from_celsius: f64, to_celsius: f64, draft: f64) -> f64 {
        let conductance = if self.in_draft {
            self.conductance * draft
        } else {
            self.conductance
        };
        let fourth = |celsius: f64| (celsius + ZERO_CELSIUS).powi(2).powi(2);
        conductance * (from_celsius - to_celsius)
            + STEFAN_BOLTZMANN * self.radiance * (fourth(from_celsius) - fourth(to_celsius))
    }
}

/// Nodes, links and the temperatures they have.
#[derive(Debug, Clone)]
pub struct Network<const N: usize> {
    capacities: [f64; N],
    links: Vec<Link>,
    celsius: [f64; N],
    room_celsius: f64,
    /// What stored energy counts from: the room as it was at the start.
    reference_celsius: f64,
    /// What shines on each node from the room, watts.
    shone: [f64; N],
    supplied_j: f64,
    lost_j: f64,
}

/// Rates of change of everything that is integrated.
struct Rates<const N: usize> {
    celsius_per_s: [f64; N],
    supplied_w: f64,
    lost_w: f64,
}

impl<const N: usize> Network<N> {
    /// `capacities` in J/K, one per node; all nodes start at `start_celsius`.
    ///
    /// # Panics
    /// If a capacity isn't above zero or a link ends at a node that isn't there.
    pub fn new(capacities: [f64; N], links: Vec<Link>, start_celsius: f64, room_celsius: f64) -> Self {
        assert!(capacities.iter().all(|c| *c > 0.0), "capacities {capacities:?}");
        let exists = |end: End| !matches!(end, End::Node(n) if n >= N);
        assert!(
            links.iter().all(|l| exists(l.from) && exists(l.to)),
            "links {links:?}"
        );
        let celsius = [start_celsius; N];
        Network {
            capacities,
            links,
            celsius,
            room_celsius,
            reference_celsius: room_celsius,
            shone: [0.0; N],
            supplied_j: 0.0,
            lost_j: 0.0,
        }
    }

    /// Temperature of a node, degrees Celsius.
    pub fn celsius(&self, node: usize) -> f64 {
        self.celsius[node]
    }

    /// The room's air is this warm from now on.
    pub fn set_room(&mut self, celsius: f64) {
        self.room_celsius = celsius;
    }

    /// So many watts shine on each node from the room from now on.
    pub fn shine(&mut self, watts: [f64; N]) {
        self.shone = watts;
    }

    /// A node is replaced by one that is this warm; what the old one held more leaves with it.
    pub fn replace(&mut self, node: usize, celsius: f64) {
        self.lost_j += self.capacities[node] * (self.celsius[node] - celsius);
        self.celsius[node] = celsius;
    }

    /// Energy stored above the temperature that the room had at the start, joules.
    pub fn stored_j(&self) -> f64 {
        self.capacities
            .iter()
            .zip(&self.celsius)
            .map(|(c, t)| c * (t - self.reference_celsius))
            .sum()
    }

    /// Energy supplied so far, joules.
    pub fn supplied_j(&self) -> f64 {
        self.supplied_j
    }

    /// Energy lost to the room so far, joules.
    pub fn lost_j(&self) -> f64 {
        self.lost_j
    }

    /// Advances by one step of the classical Runge-Kutta method, with constant `watts` into node `heated`.
    ///
    /// The step has to be well below the shortest time constant (capacity over the sum of its conductances).
    pub fn step(&mut self, dt_s: f64, heated: usize, watts: f64, draft: f64) {
        let along = |rates: &Rates<N>, dt: f64| -> [f64; N] {
            std::array::from_fn(|n| self.celsius[n] + rates.celsius_per_s[n] * dt)
        };
        let k1 = self.rates(&self.celsius, heated, watts, draft);
        let k2 = self.rates(&along(&k1, dt_s / 2.0), heated, watts, draft);
        let k3 = self.rates(&along(&k2, dt_s / 2.0), heated, watts, draft);
        let k4 = self.rates(&along(&k3, dt_s), heated, watts, draft);
        let mean = |a: f64, b: f64, c: f64, d: f64| dt_s / 6.0 * (a + 2.0 * b + 2.0 * c + d);
        for (n, celsius) in self.celsius.iter_mut().enumerate() {
            *celsius += mean(
                k1.celsius_per_s[n],
                k2.celsius_per_s[n],
                k3.celsius_per_s[n],
                k4.celsius_per_s[n],
            );
        }
        self.supplied_j += mean(k1.supplied_w, k2.supplied_w, k3.supplied_w, k4.supplied_w);
        self.lost_j += mean(k1.lost_w, k2.lost_w, k3.lost_w, k4.lost_w);
    }

    fn rates(&self, celsius: &[f64; N], heated: usize, watts: f64, draft: f64) -> Rates<N> {
        let mut into = self.shone;
        into[heated] += watts;
        let mut lost_w = -self.shone.iter().sum::<f64>();
        let at = |end: End| match end {
            End::Node(n) => celsius[n],
            End::Room => self.room_celsius,
        };
        for link in &self.links {
            let flow = link.flow(at(link.from), at(link.to), draft);
            match link.from {
                End::Node(n) => into[n] -= flow,
                End::Room => lost_w -= flow,
            }
            match link.to {
                End::Node(n) => into[n] += flow,
                End::Room => lost_w += flow,
            }
        }
        let celsius_per_s = std::array::from_fn(|n| into[n] / self.capacities[n]);
        Rates {
            celsius_per_s,
            supplied_w: watts,
            lost_w,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const STEP_S: f64 = 0.05;

    fn to_room(conductance: f64, radiance: f64) -> Link {
        Link {
            from: End::Node(0),
            to: End::Room,
            conductance,
            radiance,
            in_draft: false,
        }
    }

    /// Seconds until a single node gets from one temperature to another, interpolated inside the last step.
    fn time_to(capacity: f64, link: Link, start: f64, room: f64, target: f64, dt: f64) -> f64 {
        let mut body = Network::new([capacity], vec![link], start, room);
        let mut time = 0.0;
        let sign = (target - start).signum();
        loop {
            let before = body.celsius(0);
            body.step(dt, 0, 0.0, 1.0);
            let after = body.celsius(0);
            if (target - after) * sign <= 0.0 {
                return time + dt * (target - before) / (after - before);
            }
            time += dt;
            assert!(time < 1e6, "never there");
        }
    }

    #[test]
    fn a_thermocouple_bead_in_a_gas_stream_takes_the_published_time() {
        // Incropera et al., Fundamentals of Heat and Mass Transfer, Example 5.1: h = 400 W/m²K, c = 400 J/kgK, rho = 8500 kg/m³, time constant
        // 1 s, from 25 to 199 °C in gas at 200 °C. Published: diameter 0.706 mm, 5.16 s as the open companion prints it (exact: ln 175 = 5.165 s).
        let diameter = 0.000_706;
        let area = std::f64::consts::PI * diameter * diameter;
        let capacity = 8_500.0 * 400.0 * area * diameter / 6.0;
        let time = time_to(capacity, to_room(400.0 * area, 0.0), 25.0, 200.0, 199.0, 0.01);
        assert!((time - 5.16).abs() < 0.01, "{time} s");
    }

    #[test]
    fn a_steel_ball_cools_in_the_published_time() {
        // Public GATE examination, worked solution: 10 mm ball, time constant 16 s, h = 1000 W/m²K, from 1000 K to
        // 350 K in 300 K: 42.23 s (exact 42.225 s).
        let area = std::f64::consts::PI * 0.01 * 0.01;
        let link = to_room(1_000.0 * area, 0.0);
        let kelvin = |k: f64| k - ZERO_CELSIUS;
        let time = time_to(
            16.0 * 1_000.0 * area,
            link,
            kelvin(1_000.0),
            kelvin(300.0),
            kelvin(350.0),
            STEP_S,
        );
        assert!((time - 42.23).abs() < 0.01, "{time} s");
        // Public heat-transfer question bank: a 20 mm ball of 7800 kg/m³ and 500 J/kgK in the same stream has a time constant of 13 s.
        let diameter = 0.02;
        let area = std::f64::consts::PI * diameter * diameter;
        let capacity = 7_800.0 * 500.0 * area * diameter / 6.0;
        let time = time_to(
            capacity,
            to_room(1_000.0 * area, 0.0),
            100.0,
            0.0,
            100.0 / std::f64::consts::E,
            STEP_S,
        );
        assert!((time - 13.0).abs() < 0.001, "{time} s");
    }

    #[test]
    fn a_cup_of_coffee_is_as_warm_as_published_after_half_an_hour() {
        // Public calculus exercise: 95 °C in a room of 20 °C with k = 0.02 per minute; 61 °C after 30 min (exact 61.161 °C).
        let mut cup = Network::new([1.0], vec![to_room(0.02 / 60.0, 0.0)], 95.0, 20.0);
        for _ in 0..1_800 {
            cup.step(1.0, 0, 0.0, 1.0);
        }
        assert!((cup.celsius(0) - 61.161).abs() < 0.001, "{} °C", cup.celsius(0));
    }

    #[test]
    fn grey_surfaces_radiate_what_the_table_says() {
        // Emissivity, surface °C, surroundings 25 °C, W/m²: the Stefan-Boltzmann law with the constant of CODATA 2018,
        // computed independently of this code.
        for (emissivity, surface, flux) in [
            (0.9, 50.0, 153.239_6),
            (0.9, 150.0, 1_232.914_3),
            (0.9, 250.0, 3_419.335_0),
            (0.95, 100.0, 618.733_9),
            (0.95, 200.0, 2_274.123_0),
            (1.0, 50.0, 170.266_2),
            (1.0, 150.0, 1_369.904_8),
            (1.0, 250.0, 3_799.261_1),
        ] {
            let got = to_room(0.0, emissivity).flow(surface, 25.0, 1.0);
            assert!((got - flux).abs() < 1e-3, "{got} W/m² instead of {flux}");
        }
    }

    #[test]
    fn radiation_alone_cools_as_its_closed_form() {
        // dT/dt = -k T^4 has the solution T = (T0^-3 + 3 k t)^(-1/3), towards a room at absolute zero.
        let (capacity, radiance, start_k) = (50.0, 0.02, 1_000.0_f64);
        let k = STEFAN_BOLTZMANN * radiance / capacity;
        let link = to_room(0.0, radiance);
        let mut body = Network::new([capacity], vec![link], start_k - ZERO_CELSIUS, -ZERO_CELSIUS);
        for n in 1..=4_000 {
            body.step(STEP_S, 0, 0.0, 1.0);
            if n % 1_000 == 0 {
                let time = STEP_S * f64::from(n);
                let exact = (start_k.powi(-3) + 3.0 * k * time).powf(-1.0 / 3.0);
                let got = body.celsius(0) + ZERO_CELSIUS;
                assert!(
                    (got - exact).abs() < 1e-3,
                    "{got} K instead of {exact} K after {time} s"
                );
            }
        }
    }

    #[test]
    fn what_leaves_one_node_arrives_at_the_other() {
        // Two equal bodies with a link and no room meet in the middle, and nothing is lost.
        let link = Link {
            from: End::Node(0),
            to: End::Node(1),
            conductance: 0.5,
            radiance: 0.01,
            in_draft: false,
        };
        let mut pair = Network::new([20.0, 20.0], vec![link], 25.0, 25.0);
        for _ in 0..200 {
            pair.step(STEP_S, 0, 100.0, 1.0);
        }
        for _ in 0..20_000 {
            pair.step(STEP_S, 0, 0.0, 1.0);
        }
        // 100 W for 10 s into 40 J/K are 25 K.
        assert!((pair.celsius(0) - 50.0).abs() < 1e-6, "{}", pair.celsius(0));
        assert!((pair.celsius(1) - 50.0).abs() < 1e-6, "{}", pair.celsius(1));
        assert!(pair.lost_j().abs() < 1e-12);
    }
}
