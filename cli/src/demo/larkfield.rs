//! The demo's lab: its benches, boards and recipes, and the files that they are written into.

use std::fmt::Write as _;
use std::fs;
use std::os::unix::fs::DirBuilderExt;
use std::path::{Path, PathBuf};

use benchward_archive::Wall;
use benchward_core::recipe::Recipe;

use crate::failure::Failure;

/// Longest path of a socket that every system takes, bytes: `sun_path` of unix(7) holds 108 with the end.
const SOCKET_BYTES_MAX: usize = 100;

/// A bench, the board on it, and what goes wrong there.
pub(super) struct Bench {
    pub(super) station: &'static str,
    pub(super) serial: &'static str,
    pub(super) recipe_file: &'static str,
    pub(super) recipe: &'static str,
    /// Settings of the simulated driver, as TOML.
    settings: &'static str,
}

impl Bench {
    /// The name in its recipe.
    pub(super) fn recipe_name(&self) -> String {
        Recipe::parse(self.recipe_file, self.recipe)
            .map(|recipe| recipe.name)
            .unwrap_or_default()
    }
}

/// bench-1 goes well, bench-2 is left alone, bench-3 loses a thermocouple.
pub(super) const BENCHES: [Bench; 3] = [
    Bench {
        station: "bench-1",
        serial: "A-0017",
        recipe_file: "ax-20-backplane.toml",
        recipe: "\
# A heavy board, warmed in two steps. Somebody has to confirm every three minutes that they are there.
recipe = \"AX-20 backplane preheat\"
ceiling_celsius = 130
control = \"hottest\"
board_grams = 240
absent_after_s = 180

[[stage]]
target_celsius = 60
dwell_s = 20
band_celsius = 3

[[stage]]
target_celsius = 80
dwell_s = 30
band_celsius = 3

[window]
peak_celsius = [74, 90]
rise_celsius_per_s_max = 3
above = { celsius = 70, time_s = [20, 150] }
dwell = { stage = 2, time_s_min = 25 }
spread_celsius_max = 15

[cooldown]
safe_celsius = 45
",
        settings: "board_grams = 240\nwatts = 800\nseed = 11\nfan = true",
    },
    Bench {
        station: "bench-2",
        serial: "Q-0204",
        recipe_file: "qm-4-front-end.toml",
        recipe: "\
# A light board with a long dwell. It must not heat unattended for more than two and a half minutes.
recipe = \"QM-4 front end preheat\"
ceiling_celsius = 95
control = \"hottest\"
board_grams = 45
absent_after_s = 150

[[stage]]
target_celsius = 50
ramp_celsius_per_s_max = 1.5
dwell_s = 20
band_celsius = 3

[[stage]]
target_celsius = 70
dwell_s = 300
band_celsius = 3

[window]
peak_celsius = [62, 80]
dwell = { stage = 2, time_s_min = 280 }

[cooldown]
safe_celsius = 45
",
        settings: "board_grams = 45\nwatts = 400\nseed = 22\nfan = true",
    },
    Bench {
        station: "bench-3",
        serial: "P-3310",
        recipe_file: "psu-310-supply.toml",
        recipe: "\
# A power supply with a heavy transformer.
recipe = \"PSU-310 supply preheat\"
ceiling_celsius = 120
control = \"hottest\"
board_grams = 120

[[stage]]
target_celsius = 85
dwell_s = 120
band_celsius = 3

[cooldown]
safe_celsius = 45
",
        settings: "board_grams = 120\nwatts = 600\nseed = 33\nfan = true\n\
                   # 70 s after the first heat the thermocouple's plug comes out; 60 s later somebody puts it back.\n\
                   faults = [{ kind = \"open\", input = \"tc2\", after_heat_s = 70, for_s = 60 }]",
    },
];

/// The configuration of the lab. `mqtt_port`: where the private broker listens.
pub(super) fn lab_toml(archive: &Path, socket: &Path, mqtt_port: Option<u16>) -> String {
    let quoted = |path: &Path| toml_string(&path.display().to_string());
    let mut text = format!(
        "# Written by `benchward demo`: three benches that aren't there.\n[lab]\nname = \"larkfield\"\narchive = {}\n\
         socket = {}\n\n[ceiling]\ncelsius = 260\n\n[presence]\nabsent_after_s = 900\n",
        quoted(archive),
        quoted(socket)
    );
    if let Some(port) = mqtt_port {
        let _ = write!(
            text,
            "\n[mqtt]\nbroker = \"mqtt://127.0.0.1:{port}\"\nplain = true\n"
        );
    }
    text.push_str("\n[supply.bay-a]\nvolts = 230\namps = 16\ncontinuous = 0.8\n");
    for bench in &BENCHES {
        let name = bench.station;
        let _ = write!(
            text,
            "\n[station.{name}]\nchannels = {{ board-top = \"tc1\", board-edge = \"tc2\" }}\nheat = \"heat1\"\npresence = \
             \"pedal\"\npermissive = {{ hood = \"hood\" }}\nsupply = \"bay-a\"\n\n[station.{name}.driver]\nprogram = \
             \"simulated\"\n\n[station.{name}.driver.settings]\n{}\n",
            bench.settings
        );
    }
    text
}

/// A TOML string with what has a meaning in it escaped.
fn toml_string(text: &str) -> String {
    let mut quoted = String::from("\"");
    for letter in text.chars() {
        match letter {
            '"' => quoted.push_str("\\\""),
            '\\' => quoted.push_str("\\\\"),
            letter if letter.is_control() => {
                let _ = write!(quoted, "\\u{:04X}", u32::from(letter));
            }
            letter => quoted.push(letter),
        }
    }
    quoted.push('"');
    quoted
}

/// Makes the folder of a demo: `named`, which has to be new or empty, else a fresh one.
pub(super) fn folder(named: Option<&Path>) -> Result<PathBuf, Failure> {
    let cannot = |path: &Path, error: &std::io::Error| {
        Failure::failed(format!("can't make the folder {}: {error}", path.display()))
            .hint("name another with --dir DIR")
    };
    let mut private = fs::DirBuilder::new();
    private.recursive(true).mode(0o700);
    if let Some(named) = named {
        private.create(named).map_err(|error| cannot(named, &error))?;
        let mut inside = named.read_dir().map_err(|error| cannot(named, &error))?;
        if inside.next().is_some() {
            return Err(Failure::wrong_use(
                format!("{} is not empty, and a demo begins anew", named.display()),
                "name a folder that isn't there yet",
            ));
        }
        return std::path::absolute(named).map_err(|error| cannot(named, &error));
    }
    // The archive's folder of a lab is this one's neighbour, never its own.
    let absolute = |name: &str| {
        std::env::var_os(name)
            .map(PathBuf::from)
            .filter(|path| path.is_absolute())
    };
    let states = [
        absolute("XDG_STATE_HOME"),
        absolute("HOME").map(|home| home.join(".local/state")),
    ];
    let day = Wall::now().date();
    let mut error = None;
    for above in states
        .into_iter()
        .flatten()
        .map(|state| state.join("benchward"))
        .chain([std::env::temp_dir()])
    {
        let made = private.create(&above).and_then(|()| {
            tempfile::Builder::new()
                .prefix(&format!("demo-{day}-"))
                .tempdir_in(&above)
        });
        match made {
            Ok(made) => return Ok(made.keep()),
            Err(why) => error = Some(cannot(&above, &why)),
        }
    }
    Err(error.unwrap_or_else(|| {
        Failure::failed("there is no place for the demo's folder").hint("name one with --dir")
    }))
}

/// Where the demo's socket is: in its folder, or in one of its own where that path would be too long.
pub(super) struct Socket {
    path: PathBuf,
    /// Removed with this.
    _short: Option<tempfile::TempDir>,
}

impl Socket {
    pub(super) fn path(&self) -> &Path {
        &self.path
    }
}

/// A place for the socket.
pub(super) fn socket(folder: &Path) -> Result<Socket, Failure> {
    let path = folder.join("bus");
    if path.as_os_str().len() <= SOCKET_BYTES_MAX {
        return Ok(Socket { path, _short: None });
    }
    let short = tempfile::Builder::new()
        .prefix("benchward-demo-")
        .tempdir()
        .map_err(|error| Failure::failed(format!("can't make a folder for the socket: {error}")))?;
    Ok(Socket {
        path: short.path().join("bus"),
        _short: Some(short),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use benchward_config::Config;

    #[test]
    fn the_lab_has_no_mistakes() {
        for port in [None, Some(18_830)] {
            let text = lab_toml(
                Path::new("/tmp/a \"b\" \\ c/archive"),
                Path::new("/tmp/bus"),
                port,
            );
            let config = Config::parse("lab.toml", &text).unwrap_or_else(|mistakes| panic!("{mistakes}"));
            assert_eq!(config.lab.name, "larkfield");
            assert_eq!(
                config.lab.archive.as_deref(),
                Some(Path::new("/tmp/a \"b\" \\ c/archive"))
            );
            assert_eq!(config.mqtt.is_some(), port.is_some());
            let stations: Vec<_> = config
                .stations
                .iter()
                .map(|station| station.name.as_str())
                .collect();
            assert_eq!(stations, BENCHES.each_ref().map(|bench| bench.station));
        }
    }

    #[test]
    fn the_recipes_have_no_mistakes_and_the_right_one_is_left_alone() {
        let recipes = BENCHES.each_ref().map(|bench| {
            Recipe::parse(bench.recipe_file, bench.recipe).unwrap_or_else(|mistakes| panic!("{mistakes}"))
        });
        assert!(recipes.iter().all(|recipe| recipe.ceiling.is_some()));
        let absent = recipes[1]
            .absent_after
            .expect("bench-2 is the one that is left alone");
        let dwell = recipes[1].stages.last().expect("it has stages").dwell;
        assert!(
            dwell > absent,
            "bench-2 must still be heating when nobody has been there for {absent}"
        );
    }

    #[test]
    fn a_folder_that_holds_something_is_refused() {
        let full = tempfile::tempdir().unwrap();
        fs::write(full.path().join("x"), "").unwrap();
        assert_eq!(folder(Some(full.path())).unwrap_err().error(), "Invalid");
        let fresh = full.path().join("fresh");
        assert_eq!(folder(Some(&fresh)).unwrap(), fresh);
        assert!(fresh.is_dir());
    }

    #[test]
    fn a_long_path_gets_a_short_socket() {
        assert_eq!(
            socket(Path::new("/tmp/demo")).unwrap().path(),
            Path::new("/tmp/demo/bus")
        );
        let long = PathBuf::from(format!("/tmp/{}", "x".repeat(120)));
        assert!(socket(&long).unwrap().path().as_os_str().len() <= SOCKET_BYTES_MAX);
    }
}
