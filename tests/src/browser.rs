//! A real browser, Chromium without a window, driven through its own debugging pipe (Chrome `DevTools` Protocol): what a page asks for,
//! what it complains about, where its elements are, what comes out of the printer.
//!
//! Messages are JSON, each ended by a NUL, on file descriptors 3 and 4. No port, no driver program between.

use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Child, ChildStdin, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::time::Duration;

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD as BASE64;
use serde_json::{Value, json};

use crate::programs::system;

/// Starting it on a busy machine takes its time.
const PATIENCE: Duration = Duration::from_mins(2);

/// A browser with one page. It ends with this value.
#[derive(Debug)]
pub struct Browser {
    child: Child,
    to: ChildStdin,
    from: Receiver<Value>,
    asked: u64,
    session: String,
    /// What came unasked since the newest [`Browser::open`].
    events: Vec<Value>,
    _profile: tempfile::TempDir,
}

impl Browser {
    /// Starts it, with a profile of its own.
    ///
    /// # Panics
    /// If it isn't installed or doesn't answer.
    pub fn start() -> Self {
        let profile = tempfile::tempdir().expect("a temporary folder");
        let chromium = system("chromium", "chromium");
        // The shell gives the two pipes the numbers that the browser wants them under. The sandbox needs rights that containers and root
        // don't have; what is opened here are our own files.
        let mut child = system("sh", "dash")
            .arg("-c")
            .arg("exec \"$0\" \"$@\" 3<&0 4>&1 </dev/null >/dev/null 2>&1")
            .arg(chromium.get_program())
            .args([
                "--headless=new",
                "--no-sandbox",
                "--disable-gpu",
                "--disable-dev-shm-usage",
                "--no-first-run",
            ])
            .args([
                "--disable-background-networking",
                "--disable-component-update",
                "--remote-debugging-pipe",
            ])
            .arg(format!("--user-data-dir={}", profile.path().display()))
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect("a shell");
        let (to, out) = (
            child.stdin.take().expect("piped"),
            child.stdout.take().expect("piped"),
        );
        let (send, from) = channel();
        std::thread::spawn(move || {
            let mut out = BufReader::new(out);
            let mut message = Vec::new();
            while out.read_until(0, &mut message).is_ok_and(|length| length > 0) {
                message.pop();
                let parsed = serde_json::from_slice(&message);
                message.clear();
                if parsed.is_ok_and(|value| send.send(value).is_err()) {
                    return;
                }
            }
        });
        let mut browser = Self {
            child,
            to,
            from,
            asked: 0,
            session: String::new(),
            events: Vec::new(),
            _profile: profile,
        };
        let target = browser.ask("Target.createTarget", &json!({"url": "about:blank"}));
        let attached = browser.ask(
            "Target.attachToTarget",
            &json!({"targetId": target["targetId"], "flatten": true}),
        );
        attached["sessionId"]
            .as_str()
            .expect("a session")
            .clone_into(&mut browser.session);
        for domain in ["Page.enable", "Runtime.enable", "Log.enable", "Network.enable"] {
            browser.ask(domain, &json!({}));
        }
        browser
    }

    fn ask(&mut self, method: &str, parameters: &Value) -> Value {
        self.asked += 1;
        let mut message = json!({"id": self.asked, "method": method, "params": parameters});
        if !self.session.is_empty() {
            message["sessionId"] = self.session.as_str().into();
        }
        let mut bytes = message.to_string().into_bytes();
        bytes.push(0);
        self.to.write_all(&bytes).expect("the browser runs");
        self.to.flush().expect("the browser runs");
        loop {
            let answer = self.next(method);
            if answer["id"] == self.asked {
                assert!(answer["error"].is_null(), "{method}: {}", answer["error"]);
                return answer["result"].clone();
            }
            self.events.push(answer);
        }
    }

    fn next(&self, waiting_for: &str) -> Value {
        self.from
            .recv_timeout(PATIENCE)
            .unwrap_or_else(|error| panic!("the browser doesn't answer ({waiting_for}): {error}"))
    }

    fn emulate(&mut self, width: u32, media: &str, dark: bool) {
        self.ask(
            "Emulation.setDeviceMetricsOverride",
            &json!({"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": false}),
        );
        let scheme = if dark { "dark" } else { "light" };
        self.ask(
            "Emulation.setEmulatedMedia",
            &json!({"media": media, "features": [{"name": "prefers-color-scheme", "value": scheme}]}),
        );
    }

    /// Opens a file in a window so many pixels wide, and waits until it is loaded.
    ///
    /// # Panics
    /// If it can't be opened.
    pub fn open(&mut self, file: &Path, width: u32, dark: bool) {
        self.open_at(&format!("file://{}", file.display()), width, dark);
    }

    /// Opens an address in a window so many pixels wide, and waits until it is loaded.
    ///
    /// # Panics
    /// If it can't be opened.
    pub fn open_at(&mut self, url: &str, width: u32, dark: bool) {
        self.emulate(width, "", dark);
        self.events.clear();
        let opened = self.ask("Page.navigate", &json!({"url": url}));
        assert!(opened["errorText"].is_null(), "{url}: {opened}");
        while !self
            .events
            .iter()
            .any(|event| event["method"] == "Page.loadEventFired")
        {
            let event = self.next("the page to be loaded");
            self.events.push(event);
        }
    }

    /// Shows the open page as paper or as a screen, light or dark.
    pub fn media(&mut self, width: u32, print: bool, dark: bool) {
        self.emulate(width, if print { "print" } else { "" }, dark);
    }

    /// The value of an expression in the page.
    ///
    /// # Panics
    /// If it throws.
    pub fn value(&mut self, expression: &str) -> Value {
        let got = self.ask(
            "Runtime.evaluate",
            &json!({"expression": expression, "returnByValue": true}),
        );
        assert!(got["exceptionDetails"].is_null(), "{expression}: {got}");
        got["result"]["value"].clone()
    }

    /// What the page asked the world for since it was opened.
    pub fn requests(&self) -> Vec<String> {
        self.of("Network.requestWillBeSent")
            .map(|event| {
                event["params"]["request"]["url"]
                    .as_str()
                    .unwrap_or_default()
                    .to_owned()
            })
            .collect()
    }

    /// What it complained about: messages of scripts, exceptions, violations of its own policy, anything in the log.
    pub fn complaints(&self) -> Vec<String> {
        [
            "Runtime.consoleAPICalled",
            "Runtime.exceptionThrown",
            "Log.entryAdded",
        ]
        .iter()
        .flat_map(|method| self.of(method))
        .map(|event| event["params"].to_string())
        .collect()
    }

    fn of<'e>(&'e self, method: &'e str) -> impl Iterator<Item = &'e Value> {
        self.events.iter().filter(move |event| event["method"] == method)
    }

    /// Prints the open page on paper so wide and high, inches: the PDF.
    ///
    /// # Panics
    /// If it can't.
    pub fn print(&mut self, width: f64, height: f64) -> Vec<u8> {
        let printed = self.ask(
            "Page.printToPDF",
            &json!({"paperWidth": width, "paperHeight": height, "printBackground": true, "preferCSSPageSize": true}),
        );
        decoded(&printed)
    }

    /// The whole open page as PNG.
    ///
    /// # Panics
    /// If it can't.
    pub fn picture(&mut self) -> Vec<u8> {
        let picture = self.ask(
            "Page.captureScreenshot",
            &json!({"format": "png", "captureBeyondViewport": true}),
        );
        decoded(&picture)
    }
}

fn decoded(answer: &Value) -> Vec<u8> {
    let data = answer["data"].as_str().expect("data");
    BASE64.decode(data).expect("base64")
}

impl Drop for Browser {
    fn drop(&mut self) {
        // Its helpers end when it does.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
