//! Finding a device of the kernel's by what it is and where it sits.
//!
//! The number in `iio:device3` or `hwmon2` is the order in which the kernel met the devices. It changes between starts and when
//! something is plugged in again, so nothing here goes by it.

use std::fs;
use std::path::{Path, PathBuf};

use serde::Deserialize;

use crate::attribute;

/// The kernel's two families of sensors.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "lowercase")]
pub(crate) enum Interface {
    /// Industrial I/O: `/sys/bus/iio/devices/iio:deviceN`.
    #[default]
    Iio,
    /// Hardware monitoring: `/sys/class/hwmon/hwmonN`.
    Hwmon,
}

impl Interface {
    fn folder(self, root: &Path) -> PathBuf {
        root.join(match self {
            Interface::Iio => "sys/bus/iio/devices",
            Interface::Hwmon => "sys/class/hwmon",
        })
    }

    /// Before the number. IIO's folder holds triggers as well.
    fn prefix(self) -> &'static str {
        match self {
            Interface::Iio => "iio:device",
            Interface::Hwmon => "hwmon",
        }
    }

    /// The word in the settings and in messages.
    pub(crate) fn word(self) -> &'static str {
        match self {
            Interface::Iio => "iio",
            Interface::Hwmon => "hwmon",
        }
    }
}

/// Which device an input is on.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Wanted {
    pub(crate) interface: Interface,
    /// What the device's `name` has to say.
    pub(crate) name: String,
    /// The end of the path of the device it hangs on, such as `spi0.0`; or the whole path below `/sys`.
    pub(crate) parent: Option<PathBuf>,
}

/// A device that was there when it was looked for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Device {
    /// With no links in it, so that it can't come to mean another device at another place.
    pub(crate) folder: PathBuf,
    pub(crate) name: String,
    /// The device it hangs on, as a path from the root.
    parent: PathBuf,
}

/// Why there is no such device.
#[derive(Debug, PartialEq, Eq, thiserror::Error)]
pub(crate) enum NotFound {
    #[error("{0}")]
    Missing(String),
    /// Only more settings can help.
    #[error("{0}")]
    Ambiguous(String),
}

impl Device {
    /// The one device that is wanted.
    ///
    /// # Errors
    /// If there is none or more than one, with what there is.
    pub(crate) fn find(root: &Path, wanted: &Wanted) -> Result<Self, NotFound> {
        let there = Device::all(root, wanted.interface);
        let mut fitting: Vec<&Device> = there.iter().filter(|d| d.fits(wanted)).collect();
        match fitting.len() {
            1 => Ok(fitting.remove(0).clone()),
            0 => Err(NotFound::Missing(format!(
                "there is no {wanted}; {}",
                list(&there)
            ))),
            count => Err(NotFound::Ambiguous(format!(
                "{count} devices fit {wanted}: tell them apart by `parent`; {}",
                list(fitting)
            ))),
        }
    }

    fn all(root: &Path, interface: Interface) -> Vec<Device> {
        // A machine without such devices may lack the folder, which is the same as an empty one.
        let entries = fs::read_dir(interface.folder(root))
            .into_iter()
            .flatten()
            .flatten();
        let real_root = fs::canonicalize(root).unwrap_or_else(|_| root.to_owned());
        let mut devices: Vec<Device> = entries
            .filter(|e| e.file_name().to_string_lossy().starts_with(interface.prefix()))
            .filter_map(|entry| {
                // One that goes away while we look is one that isn't there.
                let folder = fs::canonicalize(entry.path()).ok()?;
                let name = attribute::text(&folder.join("name")).ok()?;
                let mut parent = folder.parent()?;
                if parent.file_name()? == interface.prefix() {
                    // hwmon devices are put into a folder `hwmon` below their parent.
                    parent = parent.parent()?;
                }
                let parent = Path::new("/").join(parent.strip_prefix(&real_root).ok()?);
                Some(Device { folder, name, parent })
            })
            .collect();
        devices.sort_by(|a, b| a.folder.cmp(&b.folder));
        devices
    }

    fn fits(&self, wanted: &Wanted) -> bool {
        let at_its_place = wanted.parent.as_ref().is_none_or(|p| {
            if p.is_absolute() {
                self.parent == *p
            } else {
                self.parent.ends_with(p)
            }
        });
        self.name == wanted.name && at_its_place
    }

    /// Whether it still is where it was found, and the same.
    pub(crate) fn is_there(&self) -> bool {
        attribute::text(&self.folder.join("name")).is_ok_and(|name| name == self.name)
    }

    /// The names of its files, in order.
    pub(crate) fn files(&self) -> Vec<String> {
        let entries = fs::read_dir(&self.folder).into_iter().flatten().flatten();
        let mut names: Vec<String> = entries.filter_map(|e| e.file_name().into_string().ok()).collect();
        names.sort();
        names
    }
}

impl std::fmt::Display for Device {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "`{}` on `{}`", self.name, self.parent.display())
    }
}

impl std::fmt::Display for Wanted {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{} device `{}`", self.interface.word(), self.name)?;
        if let Some(parent) = &self.parent {
            write!(f, " on `{}`", parent.display())?;
        }
        Ok(())
    }
}

fn list<'d>(devices: impl IntoIterator<Item = &'d Device>) -> String {
    let names: Vec<String> = devices.into_iter().map(Device::to_string).collect();
    if names.is_empty() {
        "there is none at all: is the kernel's driver loaded?".to_owned()
    } else {
        format!("there is: {}", names.join(", "))
    }
}
