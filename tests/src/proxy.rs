//! A network in between that goes wrong: cut in the middle of a packet, stalled, slow.

use std::io::{Read as _, Write as _};
use std::net::{Ipv4Addr, Shutdown, TcpListener, TcpStream};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicI64, AtomicU64, AtomicUsize, Ordering};
use std::time::Duration;

/// Nobody cuts.
const NEVER: i64 = i64::MAX / 2;

/// Passes TCP connections on to a port of this machine.
#[derive(Debug)]
pub struct Proxy {
    port: u16,
    line: Arc<Line>,
}

/// What is done to the bytes on their way to the server.
#[derive(Debug)]
struct Line {
    /// Bytes that are still let through; then all connections are cut, in the middle of whatever it is.
    left: AtomicI64,
    stalled: AtomicBool,
    /// Bytes a second; 0: as fast as it goes.
    rate: AtomicU64,
    /// How often connections were cut.
    cuts: AtomicUsize,
}

impl Proxy {
    /// Starts one before `to`.
    ///
    /// # Panics
    /// If there is no port for it.
    pub fn start(to: u16) -> Self {
        let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).expect("a free port");
        let port = listener.local_addr().expect("it is bound").port();
        let line = Arc::new(Line {
            left: AtomicI64::new(NEVER),
            stalled: AtomicBool::new(false),
            rate: AtomicU64::new(0),
            cuts: AtomicUsize::new(0),
        });
        let shared = line.clone();
        // Both end with the test's process.
        std::thread::spawn(move || {
            for client in listener.incoming().flatten() {
                let Ok(server) = TcpStream::connect((Ipv4Addr::LOCALHOST, to)) else {
                    continue;
                };
                let ends = [(&client, &server), (&server, &client)];
                for (forth, (from, into)) in [true, false].into_iter().zip(ends) {
                    let (Ok(from), Ok(into)) = (from.try_clone(), into.try_clone()) else {
                        continue;
                    };
                    let line = shared.clone();
                    std::thread::spawn(move || pump(from, into, &line, forth));
                }
            }
        });
        Self { port, line }
    }

    /// Where it listens.
    pub fn port(&self) -> u16 {
        self.port
    }

    /// Cuts every connection once so many bytes more have gone to the server. New ones work until the next cut.
    pub fn cut_after(&self, bytes: u32) {
        self.line.left.store(bytes.into(), Ordering::SeqCst);
    }

    /// How often that has come about.
    pub fn cuts(&self) -> usize {
        self.line.cuts.load(Ordering::SeqCst)
    }

    /// From now on nothing goes to the server, and nobody is told; or it goes on.
    pub fn stall(&self, stalled: bool) {
        self.line.stalled.store(stalled, Ordering::SeqCst);
    }

    /// From now on so many bytes a second and connection go to the server; 0: as fast as it goes.
    pub fn slow(&self, bytes_per_s: u64) {
        self.line.rate.store(bytes_per_s, Ordering::SeqCst);
    }
}

fn pump(mut from: TcpStream, mut into: TcpStream, line: &Line, forth: bool) {
    let mut bytes = [0; 1024];
    while let Ok(count @ 1..) = from.read(&mut bytes) {
        let mut count = count;
        let mut cut = false;
        if forth {
            while line.stalled.load(Ordering::SeqCst) {
                std::thread::sleep(Duration::from_millis(5));
            }
            let rate = line.rate.load(Ordering::SeqCst);
            if let Some(us) = (count as u64 * 1_000_000).checked_div(rate) {
                std::thread::sleep(Duration::from_micros(us));
            }
            let taken = i64::try_from(count).unwrap_or(0);
            let left = line.left.fetch_sub(taken, Ordering::SeqCst);
            if left <= taken {
                cut = true;
                count = usize::try_from(left).unwrap_or(0);
                // The first one to get here; the others find it done.
                if line.left.swap(NEVER, Ordering::SeqCst) < NEVER / 2 {
                    line.cuts.fetch_add(1, Ordering::SeqCst);
                }
            }
        }
        if into.write_all(&bytes[..count]).is_err() || cut {
            break;
        }
    }
    let _ = from.shutdown(Shutdown::Both);
    let _ = into.shutdown(Shutdown::Both);
}
