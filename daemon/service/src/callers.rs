//! Who calls, and in which roles: the kernel says which user and groups are at the other end of a socket, the bus says
//! it of its clients, and the configuration says which groups hold which role. Callers are never asked.

use std::collections::BTreeMap;
use std::os::fd::BorrowedFd;
use std::sync::Mutex;

use benchward_api::shapes;
use benchward_config as config;
use benchward_core::{Person, Roles};
use nix::unistd::{Gid, Group, Uid, User};
use tracing::warn;

/// A caller as the kernel or the bus vouches for them.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Credentials {
    pub(crate) uid: u32,
    pub(crate) gids: Vec<u32>,
}

/// Which groups hold which role.
#[derive(Debug)]
pub(crate) struct Callers {
    /// The daemon's own user: holds every role where the configuration names no groups.
    owner: u32,
    groups: Option<Groups>,
    /// Names of users that have called. The user database may be slow; it is asked once for each.
    names: Mutex<BTreeMap<u32, String>>,
}

/// For each role, the groups that hold it: each by its name and, where this system has it, its number.
#[derive(Debug)]
struct Groups {
    operate: Vec<(String, Option<u32>)>,
    process: Vec<(String, Option<u32>)>,
    safety: Vec<(String, Option<u32>)>,
}

impl Callers {
    /// Looks the groups of the configuration up once. A group that isn't there is warned of and holds nothing: fewer
    /// people may do something, never more.
    pub(crate) fn new(roles: Option<&config::Roles>) -> Self {
        let look_up = |names: &[String]| {
            let found = names.iter().map(|name| {
                let gid = match Group::from_name(name) {
                    Ok(Some(group)) => Some(group.gid.as_raw()),
                    Ok(None) => {
                        warn!("[roles] names the group `{name}`, which this system doesn't have; nobody holds it");
                        None
                    }
                    Err(error) => {
                        warn!("the group `{name}` of [roles] can't be looked up: {error}; nobody holds it");
                        None
                    }
                };
                (name.clone(), gid)
            });
            found.collect()
        };
        Self {
            owner: Uid::effective().as_raw(),
            groups: roles.map(|roles| Groups {
                operate: look_up(&roles.operate),
                process: look_up(&roles.process),
                safety: look_up(&roles.safety),
            }),
            names: Mutex::new(BTreeMap::new()),
        }
    }

    /// Who holds which role, as somebody who asks is told it.
    pub(crate) fn table(&self, caller: &Credentials) -> shapes::Roles {
        let held = |role: &str, groups: &[(String, Option<u32>)]| shapes::RoleHeld {
            role: role.to_owned(),
            groups: groups
                .iter()
                .map(|(name, gid)| shapes::RoleGroup {
                    group: name.clone(),
                    there: gid.is_some(),
                })
                .collect(),
        };
        let none = Groups {
            operate: Vec::new(),
            process: Vec::new(),
            safety: Vec::new(),
        };
        let groups = self.groups.as_ref().unwrap_or(&none);
        let roles = self.roles(caller);
        let all = [
            ("operate", roles.operate),
            ("process", roles.process),
            ("safety", roles.safety),
        ];
        let owner = Credentials {
            uid: self.owner,
            gids: Vec::new(),
        };
        shapes::Roles {
            schema: shapes::SCHEMA,
            user: self.person(caller).name.to_string(),
            holds: all
                .iter()
                .filter(|(_, holds)| *holds)
                .map(|(role, _)| (*role).to_owned())
                .collect(),
            account: self
                .groups
                .is_none()
                .then(|| self.person(&owner).name.to_string()),
            roles: vec![
                held("operate", &groups.operate),
                held("process", &groups.process),
                held("safety", &groups.safety),
            ],
        }
    }

    /// What a caller may do.
    pub(crate) fn roles(&self, caller: &Credentials) -> Roles {
        match &self.groups {
            None if caller.uid == self.owner => Roles::ALL,
            None => Roles::NONE,
            Some(groups) => {
                let holds = |groups: &[(String, Option<u32>)]| {
                    groups
                        .iter()
                        .any(|(_, gid)| gid.is_some_and(|gid| caller.gids.contains(&gid)))
                };
                Roles {
                    operate: holds(&groups.operate),
                    process: holds(&groups.process),
                    safety: holds(&groups.safety),
                }
            }
        }
    }

    /// The caller by account name, or by number where the system has no name.
    pub(crate) fn person(&self, caller: &Credentials) -> Person {
        let mut names = self
            .names
            .lock()
            .unwrap_or_else(std::sync::PoisonError::into_inner);
        let name = names.entry(caller.uid).or_insert_with(|| {
            User::from_uid(Uid::from_raw(caller.uid))
                .ok()
                .flatten()
                .map_or_else(|| format!("uid {}", caller.uid), |user| user.name)
        });
        Person::new(name)
    }
}

/// Who is at the other end of a socket: user, and all groups that the process had when it connected.
///
/// The user database is not asked for the groups: it would miss those that a service manager or `sg` gave the
/// process, and keep those that were taken away.
///
/// # Errors
/// What the kernel says.
pub(crate) fn peer_credentials(socket: BorrowedFd<'_>) -> std::io::Result<Credentials> {
    let credentials = rustix::net::sockopt::socket_peercred(socket)?;
    let mut gids = peer_groups(socket)?;
    let primary = Gid::from_raw(credentials.gid.as_raw()).as_raw();
    if !gids.contains(&primary) {
        gids.push(primary);
    }
    Ok(Credentials {
        uid: credentials.uid.as_raw(),
        gids,
    })
}

/// Supplementary groups of the process at the other end of a Unix socket, by `SO_PEERGROUPS` (socket(7), Linux 4.13).
#[expect(unsafe_code, reason = "no safe wrapper of SO_PEERGROUPS in rustix or nix")]
fn peer_groups(socket: BorrowedFd<'_>) -> std::io::Result<Vec<u32>> {
    use std::os::fd::AsRawFd;
    const GROUP_BYTES: usize = size_of::<libc::gid_t>();
    // Linux allows a process 65,536 groups (NGROUPS_MAX); the loop ends there.
    let mut count = 64;
    while count <= 65_536 {
        let mut gids: Vec<libc::gid_t> = vec![0; count];
        let mut length = libc::socklen_t::try_from(count * GROUP_BYTES).map_err(std::io::Error::other)?;
        // SAFETY: `gids` is valid for `length` bytes of writes, since it holds `count` elements of GROUP_BYTES each
        // and `length` is their product; `length` itself is a valid, exclusively borrowed socklen_t; the descriptor
        // is open for as long as `socket` is borrowed. The kernel writes at most `length` bytes and sets `length` to
        // what it wrote, or to what it would need with ERANGE. Every bit pattern is a valid gid_t.
        let result = unsafe {
            libc::getsockopt(
                socket.as_raw_fd(),
                libc::SOL_SOCKET,
                libc::SO_PEERGROUPS,
                gids.as_mut_ptr().cast(),
                &raw mut length,
            )
        };
        if result == 0 {
            gids.truncate(length as usize / GROUP_BYTES);
            return Ok(gids);
        }
        let error = std::io::Error::last_os_error();
        if error.raw_os_error() != Some(libc::ERANGE) {
            return Err(error);
        }
        count *= 4;
    }
    Err(std::io::ErrorKind::OutOfMemory.into())
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::os::fd::AsFd;
    use std::os::unix::net::UnixStream;

    #[test]
    fn the_kernel_says_who_is_there() {
        let (one, _other) = UnixStream::pair().unwrap();
        let caller = peer_credentials(one.as_fd()).unwrap();
        assert_eq!(caller.uid, Uid::effective().as_raw());
        assert!(caller.gids.contains(&Gid::effective().as_raw()));
    }

    #[test]
    fn without_groups_the_owner_holds_all_and_nobody_else_any() {
        let callers = Callers::new(None);
        let owner = Credentials {
            uid: Uid::effective().as_raw(),
            gids: vec![],
        };
        assert_eq!(callers.roles(&owner), Roles::ALL);
        assert_eq!(
            callers.roles(&Credentials {
                uid: owner.uid + 1,
                gids: vec![]
            }),
            Roles::NONE
        );
    }

    #[test]
    fn with_groups_only_they_count() {
        let callers = Callers {
            owner: 0,
            groups: Some(Groups {
                operate: vec![("bench".into(), Some(100)), ("gone".into(), None)],
                process: vec![("process".into(), Some(200))],
                safety: vec![("safety".into(), Some(300))],
            }),
            names: Mutex::new(BTreeMap::new()),
        };
        let roles = callers.roles(&Credentials {
            uid: 0,
            gids: vec![100, 300],
        });
        assert_eq!(
            roles,
            Roles {
                operate: true,
                process: false,
                safety: true
            }
        );
        assert_eq!(callers.roles(&Credentials { uid: 0, gids: vec![] }), Roles::NONE);
        let table = callers.table(&Credentials {
            uid: 0,
            gids: vec![100],
        });
        assert_eq!((table.holds, table.account), (vec!["operate".to_owned()], None));
        let there: Vec<_> = table.roles[0]
            .groups
            .iter()
            .map(|one| (&*one.group, one.there))
            .collect();
        assert_eq!(there, [("bench", true), ("gone", false)]);
    }
}
