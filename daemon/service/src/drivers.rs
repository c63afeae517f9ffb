//! Driver processes: started, watched, ended, started again.
//!
//! One task per instance. It makes the two pipes, starts the process in a group of its own, hands the daemon's ends
//! of the pipes to the lab thread, and waits. It never reads what a driver says and never writes to it: that is the
//! lab thread's, so that nothing stands between a reading and a cut.

use std::collections::VecDeque;
use std::os::fd::OwnedFd;
use std::process::Stdio;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use benchward_core::{InstanceId, Loss};
use tokio::io::{AsyncBufReadExt, AsyncReadExt, BufReader};
use tokio::sync::mpsc;
use tokio::time::{Instant, sleep, timeout};
use tracing::{error, info, warn};

use crate::lab::{Command, LabHandle};
use crate::vitals::Vitals;
use crate::wiring::Instance;

/// First wait before a driver is started again; doubles each time.
const BACK_OFF_FIRST: Duration = Duration::from_millis(500);
/// Longest wait. A driver whose device is unplugged is tried twice a minute.
const BACK_OFF_LAST: Duration = Duration::from_secs(30);
/// A driver that ran for this long has got over what made the last one end.
const SETTLED: Duration = Duration::from_mins(1);
/// How long a driver has to end after it was told to, or after its pipes were closed: a second by the protocol, and
/// as much again for a busy host.
const END_WITHIN: Duration = Duration::from_secs(2);
/// Longest line of stderr that is logged whole.
const STDERR_LINE_MAX: u64 = 4 * 1024;
/// How many of the last lines of stderr are told when a driver dies.
const STDERR_KEPT: usize = 5;

/// What the lab thread tells the task that looks after an instance.
#[derive(Debug)]
pub(crate) enum Care {
    /// It broke the protocol or failed: end it and start it again.
    End { generation: u64, why: String },
    /// The lab ends: wait for it to go, and start nothing again.
    Close,
}

/// Looks after one instance until it is told to close.
pub(crate) async fn look_after(
    instance: Instance,
    lab: LabHandle,
    vitals: Arc<Vitals>,
    mut care: mpsc::UnboundedReceiver<Care>,
) {
    let mut back_off = BACK_OFF_FIRST;
    for generation in 1.. {
        let began = Instant::now();
        vitals.started(instance.id);
        match start(&instance) {
            Ok((mut child, stdin, stdout)) => {
                let last_words = listen(&instance.name, child.stderr.take());
                lab.send(Command::Attach {
                    instance: instance.id,
                    generation,
                    stdin,
                    stdout,
                });
                let why = loop {
                    tokio::select! {
                        status = child.wait() => break status.map_or_else(|e| e.to_string(), |status| status.to_string()),
                        told = care.recv() => match told {
                            Some(Care::End { generation: which, why }) if which == generation => {
                                end(&mut child).await;
                                break why;
                            }
                            Some(Care::End { .. }) => {}
                            Some(Care::Close) | None => {
                                if timeout(END_WITHIN, child.wait()).await.is_err() {
                                    warn!(instance = %instance.name, "driver did not end when told to; it is killed");
                                    end(&mut child).await;
                                }
                                return;
                            }
                        },
                    }
                };
                let said = last_words
                    .lock()
                    .map(|lines| lines.iter().cloned().collect::<Vec<_>>().join(" | "));
                let said = said.unwrap_or_default();
                let text = if said.is_empty() {
                    why
                } else {
                    format!("{why}; last said: {said}")
                };
                lab.send(Command::Detach {
                    instance: instance.id,
                    generation,
                    loss: Loss::Exit(text.as_str().into()),
                });
                if began.elapsed() >= SETTLED {
                    back_off = BACK_OFF_FIRST;
                }
                error!(instance = %instance.name, "driver ended: {text}; started again in {back_off:?}");
            }
            Err(error) => {
                let text = format!(
                    "`{}` can't be started: {error}; check `program` of this driver in the configuration",
                    instance.command.join(" ")
                );
                error!(instance = %instance.name, "{text}; tried again in {back_off:?}");
                lab.send(Command::Detach {
                    instance: instance.id,
                    generation,
                    loss: Loss::Exit(text.as_str().into()),
                });
            }
        }
        let waited = sleep(back_off);
        tokio::pin!(waited);
        loop {
            tokio::select! {
                () = &mut waited => break,
                told = care.recv() => if matches!(told, Some(Care::Close) | None) { return },
            }
        }
        back_off = (back_off * 2).min(BACK_OFF_LAST);
    }
}

/// Starts the process. Returns it with the daemon's ends of its stdin and stdout.
fn start(instance: &Instance) -> std::io::Result<(tokio::process::Child, OwnedFd, OwnedFd)> {
    let (program, arguments) = instance
        .command
        .split_first()
        .ok_or(std::io::ErrorKind::InvalidInput)?;
    let pipe = || rustix::pipe::pipe_with(rustix::pipe::PipeFlags::CLOEXEC);
    let (its_stdin, our_stdin) = pipe()?;
    let (our_stdout, its_stdout) = pipe()?;
    // Only our ends: the flag belongs to the open end, and a driver expects a stdin that waits.
    for ours in [&our_stdin, &our_stdout] {
        rustix::io::ioctl_fionbio(ours, true)?;
    }
    let child = tokio::process::Command::new(program)
        .args(arguments)
        .stdin(Stdio::from(its_stdin))
        .stdout(Stdio::from(its_stdout))
        .stderr(Stdio::piped())
        // The service manager is told things by the daemon alone.
        .env_remove("NOTIFY_SOCKET")
        .env_remove("WATCHDOG_USEC")
        .env_remove("WATCHDOG_PID")
        // A group of its own, so that a Ctrl-C at the daemon's terminal doesn't reach it before the daemon has cut.
        .process_group(0)
        .kill_on_drop(true)
        .spawn()?;
    Ok((child, our_stdin, our_stdout))
}

/// Ends a driver that has had its chance: it gets SIGTERM, then SIGKILL.
async fn end(child: &mut tokio::process::Child) {
    if let Some(pid) = child
        .id()
        .and_then(|pid| i32::try_from(pid).ok())
        .and_then(rustix::process::Pid::from_raw)
    {
        // It may be gone already; then there is nobody to tell.
        let _ = rustix::process::kill_process(pid, rustix::process::Signal::TERM);
        if timeout(END_WITHIN, child.wait()).await.is_ok() {
            return;
        }
    }
    if let Err(error) = child.kill().await {
        warn!("a driver could not be killed: {error}");
    }
}

/// Logs what a driver writes to stderr, a line at a time, and keeps the last lines.
fn listen(instance: &str, stderr: Option<tokio::process::ChildStderr>) -> Arc<Mutex<VecDeque<String>>> {
    let kept = Arc::new(Mutex::new(VecDeque::new()));
    let (name, keep) = (instance.to_owned(), kept.clone());
    if let Some(stderr) = stderr {
        tokio::spawn(async move {
            let mut reader = BufReader::new(stderr);
            let mut line = Vec::new();
            loop {
                line.clear();
                match (&mut reader)
                    .take(STDERR_LINE_MAX)
                    .read_until(b'\n', &mut line)
                    .await
                {
                    Ok(0) | Err(_) => break,
                    Ok(_) => {
                        let text = String::from_utf8_lossy(&line).trim_end().to_owned();
                        info!(instance = %name, "{text}");
                        if let Ok(mut lines) = keep.lock() {
                            if lines.len() == STDERR_KEPT {
                                lines.pop_front();
                            }
                            lines.push_back(text);
                        }
                    }
                }
            }
        });
    }
    kept
}

/// The id as a place in a list of senders.
pub(crate) fn care_of(senders: &[mpsc::UnboundedSender<Care>], instance: InstanceId, care: Care) {
    if let Some(sender) = senders.get(instance.index()) {
        // A task that is gone has nothing left to look after.
        let _ = sender.send(care);
    }
}
