//! Random numbers that are the same on every machine and in every version: xoshiro256++ seeded by splitmix64.
//!
//! Source: Blackman and Vigna, *Scrambled Linear Pseudorandom Number Generators* (2021), public-domain reference code.

/// One stream of numbers.
#[derive(Debug, Clone)]
pub struct Random {
    state: [u64; 4],
    spare: Option<f64>,
}

impl Random {
    /// Streams of one seed are independent of each other.
    pub fn new(seed: u64, stream: u64) -> Self {
        let mut mix = seed ^ stream.wrapping_mul(0xA076_1D64_78BD_642F);
        let state = [(); 4].map(|()| splitmix64(&mut mix));
        Random { state, spare: None }
    }

    fn next(&mut self) -> u64 {
        let s = &mut self.state;
        let result = s[0].wrapping_add(s[3]).rotate_left(23).wrapping_add(s[0]);
        let t = s[1] << 17;
        s[2] ^= s[0];
        s[3] ^= s[1];
        s[1] ^= s[2];
        s[0] ^= s[3];
        s[2] ^= t;
        s[3] = s[3].rotate_left(45);
        result
    }

    /// Above 0, at most 1.
    pub fn unit(&mut self) -> f64 {
        #[expect(clippy::cast_precision_loss, reason = "53 bits fit exactly")]
        let numerator = ((self.next() >> 11) + 1) as f64;
        numerator / 9_007_199_254_740_992.0
    }

    /// Mean 0, standard deviation 1, by Box and Muller.
    pub fn gaussian(&mut self) -> f64 {
        if let Some(spare) = self.spare.take() {
            return spare;
        }
        let radius = (-2.0 * self.unit().ln()).sqrt();
        let (sin, cos) = (std::f64::consts::TAU * self.unit()).sin_cos();
        self.spare = Some(radius * sin);
        radius * cos
    }
}

fn splitmix64(state: &mut u64) -> u64 {
    *state = state.wrapping_add(0x9E37_79B9_7F4A_7C15);
    let mut z = *state;
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}

/// A quantity that wanders about zero: Ornstein-Uhlenbeck, exact for any step.
#[derive(Debug, Clone)]
pub(crate) struct Wander {
    value: f64,
    deviation: f64,
    time_constant_s: f64,
    random: Random,
}

impl Wander {
    /// Starts at its mean. `deviation` is the standard deviation in the long run.
    pub(crate) fn new(deviation: f64, time_constant_s: f64, random: Random) -> Self {
        Wander {
            value: 0.0,
            deviation,
            time_constant_s,
            random,
        }
    }

    /// From here on it stays at zero.
    pub(crate) fn calm(&mut self) {
        self.value = 0.0;
        self.deviation = 0.0;
    }

    pub(crate) fn advance(&mut self, dt_s: f64) -> f64 {
        if self.deviation > 0.0 {
            let keep = (-dt_s / self.time_constant_s).exp();
            let kick = self.deviation * (1.0 - keep * keep).sqrt();
            self.value = self.value * keep + kick * self.random.gaussian();
        }
        self.value
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn splitmix64_gives_the_numbers_of_its_reference_code() {
        // The first outputs for seed 1234567, as printed with the public-domain reference code
        // and in the generator's entry on Rosetta Code.
        let mut state = 1_234_567;
        let got = [(); 5].map(|()| splitmix64(&mut state));
        let expected = [
            6_457_827_717_110_365_317,
            3_203_168_211_198_807_973,
            9_817_491_932_198_370_423,
            4_593_380_528_125_082_431,
            16_408_922_859_458_223_821,
        ];
        assert_eq!(got, expected);
    }

    #[test]
    fn xoshiro_gives_the_numbers_of_its_reference_code() {
        // State 1, 2, 3, 4, as in the published test vectors of the Rust `rand_xoshiro` crate.
        let mut random = Random {
            state: [1, 2, 3, 4],
            spare: None,
        };
        let got = [(); 4].map(|()| random.next());
        assert_eq!(
            got,
            [
                41_943_041,
                58_720_359,
                3_588_806_011_781_223,
                3_591_011_842_654_386
            ]
        );
    }

    #[test]
    fn gaussians_have_mean_0_and_deviation_1() {
        let mut random = Random::new(7, 0);
        let n = 200_000;
        let list: Vec<f64> = (0..n).map(|_| random.gaussian()).collect();
        let mean = list.iter().sum::<f64>() / f64::from(n);
        let variance = list.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / f64::from(n);
        let beyond_2 = list.iter().filter(|x| x.abs() > 2.0).count();
        assert!(mean.abs() < 0.01, "mean {mean}");
        assert!((variance - 1.0).abs() < 0.02, "variance {variance}");
        // 4.550 % of a normal distribution lies beyond two standard deviations.
        assert!((8_500..9_700).contains(&beyond_2), "{beyond_2}");
    }

    #[test]
    fn a_wander_has_the_deviation_it_was_given_whatever_the_step() {
        for dt in [0.05, 1.0] {
            let mut wander = Wander::new(0.08, 5.0, Random::new(3, 1));
            let n = 100_000;
            let sum: f64 = (0..n).map(|_| wander.advance(dt).powi(2)).sum();
            let deviation = (sum / f64::from(n)).sqrt();
            assert!((deviation - 0.08).abs() < 0.008, "{deviation} at {dt} s");
        }
    }
}
