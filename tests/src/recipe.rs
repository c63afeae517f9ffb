//! Recipes that the tests run.

/// Name of [`HOLD`].
pub const HOLD_NAME: &str = "hold";

/// Warms to 60 °C and stays there for longer than any test takes. Up there the heat changes with every reading.
pub const HOLD: &str =
    "recipe = \"hold\"\n[[stage]]\ntarget_celsius = 60\ndwell_s = 3600\nband_celsius = 3\n";
