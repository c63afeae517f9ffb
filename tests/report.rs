//! The report of a run as its readers have it: in a browser, on paper, as PDF. The run is one of the real daemon on a simulated bench in
//! scaled time, on a board whose serial number tries to be markup.

use std::path::{Path, PathBuf};
use std::process::Command;

use benchward_tests::browser::Browser;
use benchward_tests::command::{Done, benchward};
use benchward_tests::daemon::Daemon;
use benchward_tests::long;
use benchward_tests::place::Place;
use benchward_tests::programs::{file, program, system};
use benchward_tests::wait::wait_until;
use serde_json::Value;

const RECIPE: &str = "recipe = \"AX-20 <b>preheat</b> & co\"\nceiling_celsius = 110\n[[stage]]\ntarget_celsius = 50\ndwell_s = 10\n\
                      [[stage]]\ntarget_celsius = 70\ndwell_s = 20\n[window]\npeak_celsius = [66, 90]\nrise_celsius_per_s_max = 10\n\
                      above = { celsius = 60, time_s = [20, 2000] }\nspread_celsius_max = 40\ngap_s_max = 30\n[cooldown]\nsafe_celsius = 50\n";

/// Everything at once: markup, quotes, an entity, a mark that turns the direction of writing, a letter that no font of ours has.
const SERIAL: &str = "\"><script>alert(1)</script><img src=x>'&amp;\u{202E}寸";

/// How that reads on a page: what can't be seen is said.
const SERIAL_SHOWN: &str = "\"><script>alert(1)</script><img src=x>'&amp;<U+202E>寸";

struct Lab {
    place: Place,
    run: String,
    /// A second run, for charts of several.
    other: String,
}

/// A lab that has carried out two runs and is stopped.
fn lab() -> Lab {
    let place = Place::new();
    place.configure("", &place.simulated("bench-1", ""));
    let mut daemon = Daemon::start_with(&place, |command| {
        command.args(["--time-scale", "10"]);
    });
    let client = daemon.client();
    client.wait_ready(&["bench-1"]);
    client.put_recipe(RECIPE).expect("the owner may");
    let mut runs = Vec::new();
    for serial in [SERIAL, "A-0018"] {
        client.wait_ready(&["bench-1"]);
        let run = client
            .start("bench-1", "AX-20 <b>preheat</b> & co", serial)
            .expect("it is ready");
        if serial != SERIAL {
            // A limit that is moved under a run stays on its record.
            let done = benchward(&place, &["limit", "set", "--station", "bench-1", "105C"]);
            assert_eq!(done.code, 0, "{done:?}");
        }
        wait_until("the record of the run is closed", || {
            client.run(run).run.ended.is_some()
        });
        runs.push(run.to_string());
    }
    // The same file comes of a running daemon.
    let (page, run) = (place.path("asked.html"), &runs[0]);
    let done = benchward(&place, &["run", "report", run, "-o", text(&page)]);
    assert_eq!(done.code, 0, "{done:?}");
    let (_, status) = daemon.terminate();
    assert!(status.success(), "{status}");
    let done = of_archive(
        &place,
        &["run", "report", run, "-o", text(&place.path("read.html"))],
    );
    assert_eq!(done.code, 0, "{done:?}");
    let without_times = |name: &str| {
        let page = std::fs::read_to_string(place.path(name)).expect("it was written");
        let lines: Vec<String> = page
            .lines()
            // When it was made is said, and the journal has grown since.
            .filter(|line| {
                let telling = ["report made", "report was made", "ash of", "journal head"];
                !telling.iter().any(|part| line.contains(part))
            })
            .map(str::to_owned)
            .collect();
        lines
    };
    let (asked, read) = (without_times("asked.html"), without_times("read.html"));
    let different = asked.iter().zip(&read).find(|(asked, read)| asked != read);
    assert_eq!((asked.len(), different), (read.len(), None));
    let [run, other] = runs.try_into().expect("two");
    Lab { place, run, other }
}

fn text(path: &Path) -> &str {
    path.to_str().expect("paths of tests are text")
}

fn of_archive(place: &Place, words: &[&str]) -> Done {
    let output = Command::new(program("benchward"))
        .arg("--archive")
        .arg(place.archive())
        .args(words)
        .output()
        .expect("benchward can be started");
    Done::of(&output)
}

/// Writes a report of the archive and says where it is.
fn written(place: &Place, words: &[&str], name: &str) -> PathBuf {
    let path = place.path(name);
    let words: Vec<&str> = words.iter().copied().chain(["-o", text(&path)]).collect();
    let done = of_archive(place, &words);
    assert_eq!(done.code, 0, "{done:?}");
    path
}

fn said(mut command: Command) -> String {
    let output = command.output().expect("it is installed");
    assert!(output.status.success(), "{command:?}: {output:?}");
    String::from_utf8_lossy(&output.stdout).into_owned()
}

/// How many pages a PDF has, and how large they are, points.
fn pages(pdf: &Path) -> (u32, f64, f64) {
    let mut info = system("pdfinfo", "poppler-utils");
    info.arg(pdf);
    let info = said(info);
    let line = |name: &str| {
        let found = info.lines().find_map(|line| line.strip_prefix(name));
        found
            .unwrap_or_else(|| panic!("no `{name}`: {info}"))
            .trim()
            .to_owned()
    };
    let size = line("Page size:");
    let mut lengths = size.split(' ').filter_map(|word| word.parse::<f64>().ok());
    let mut length = || lengths.next().expect("two sides");
    (line("Pages:").parse().expect("a number"), length(), length())
}

/// In the page: labels of charts that stand outside their frame.
const OUTSIDE: &str = "[...document.querySelectorAll('svg')].flatMap(svg => { const frame = svg.getBoundingClientRect(); \
    return [...svg.querySelectorAll('text')].filter(text => { const box = text.getBoundingClientRect(); \
    return box.width === 0 || box.left < frame.left - 0.5 || box.right > frame.right + 0.5 || box.top < frame.top - 0.5 || \
    box.bottom > frame.bottom + 0.5; }).map(text => text.textContent); })";

/// In the page: labels of charts that stand on each other.
const OVERLAPPING: &str = "[...document.querySelectorAll('svg')].flatMap(svg => { const all = [...svg.querySelectorAll('text')].map(text => \
    [text.textContent, text.getBoundingClientRect()]); return all.flatMap(([a, p], at) => all.slice(at + 1).filter(([b, q]) => \
    p.left < q.right - 1 && q.left < p.right - 1 && p.top < q.bottom - 2 && q.top < p.bottom - 2).map(([b]) => a + ' / ' + b)); })";

/// What holds for every page, whatever is on it.
fn reads_well(browser: &mut Browser, page: &Path) {
    let nothing = Value::Array(Vec::new());
    let shown = page.display();
    for (width, dark) in [(1000, false), (1000, true), (400, false)] {
        browser.open(page, width, dark);
        assert_eq!(browser.complaints(), [""; 0], "{shown}");
        assert_eq!(
            browser.requests(),
            [format!("file://{shown}")],
            "nothing else is asked for"
        );
        // Wide tables and charts scroll in their own boxes; the page itself never does.
        let fits = "document.scrollingElement.scrollWidth <= document.scrollingElement.clientWidth";
        assert_eq!(browser.value(fits), true, "{shown} at {width}");
        assert_eq!(browser.value(OUTSIDE), nothing, "{shown} at {width}");
        assert_eq!(browser.value(OVERLAPPING), nothing, "{shown} at {width}");
        let ground = "getComputedStyle(document.body).backgroundColor";
        let expected = if dark {
            "rgb(21, 24, 27)"
        } else {
            "rgb(255, 255, 255)"
        };
        assert_eq!(browser.value(ground), expected);
        let letters = "Math.min(...[...document.querySelectorAll('svg text')].map(text => { const svg = text.ownerSVGElement; \
                       return 11 * svg.getBoundingClientRect().width / svg.viewBox.baseVal.width; }))";
        assert!(
            browser.value(letters).as_f64().expect("a chart") >= 8.0,
            "labels can be read"
        );
    }
    // Paper is light, whatever the screen is.
    browser.media(1000, true, true);
    assert_eq!(
        browser.value("getComputedStyle(document.body).backgroundColor"),
        "rgb(255, 255, 255)"
    );
    assert_eq!(
        browser.value("getComputedStyle(document.body).color"),
        "rgb(26, 28, 30)"
    );
    browser.media(1000, false, false);
    for (what, expression) in [
        ("a language", "document.documentElement.lang === 'en'"),
        (
            "one first heading, which is its title",
            "document.querySelectorAll('h1').length === 1 && document.title === document.querySelector('h1').textContent",
        ),
        (
            "headings without gaps",
            "[...document.querySelectorAll('h1,h2,h3')].every((h, at, all) => at === 0 || h.tagName[1] - all[at - 1].tagName[1] <= 1)",
        ),
        (
            "headings of tables with their scope",
            "[...document.querySelectorAll('th')].every(th => ['row', 'col'].includes(th.scope))",
        ),
        (
            "a caption for every table",
            "[...document.querySelectorAll('table')].every(table => table.caption && table.caption.textContent.length > 3)",
        ),
        (
            "a row heading in every row",
            "[...document.querySelectorAll('tbody tr')].every(row => row.cells[0].tagName === 'TH')",
        ),
        (
            "words for every chart",
            "[...document.querySelectorAll('svg')].every(svg => svg.getAttribute('role') === 'img' && \
          svg.getAttribute('aria-labelledby').split(' ').every(id => document.getElementById(id).textContent.length > 10))",
        ),
        (
            "no id twice",
            "new Set([...document.querySelectorAll('[id]')].map(one => one.id)).size === document.querySelectorAll('[id]').length",
        ),
        (
            "no script and no picture from elsewhere",
            "document.querySelectorAll('script,img,iframe,link,object,[onload],[onerror]').length === 0",
        ),
        (
            "no handler",
            "[...document.querySelectorAll('*')].every(one => [...one.attributes].every(attribute => !attribute.name.startsWith('on')))",
        ),
    ] {
        assert_eq!(browser.value(expression), true, "{what}: {shown}");
    }
}

/// Printed on both papers: as many pages as it says, and none that is empty.
fn prints_well(browser: &mut Browser, place: &Place, page: &Path, pages_max: u32) {
    browser.open(page, 1000, true);
    let shown = page.display();
    for (name, width, height) in [("a4.pdf", 8.268, 11.693), ("letter.pdf", 8.5, 11.0)] {
        let pdf = place.path(name);
        std::fs::write(&pdf, browser.print(width, height)).expect("the folder is ours");
        let (count, wide, high) = pages(&pdf);
        assert!(
            (wide - width * 72.0).abs() < 1.0 && (high - height * 72.0).abs() < 1.0,
            "{name}: {wide} x {high}"
        );
        assert!(
            (1..=pages_max).contains(&count),
            "{shown} takes {count} pages of {name}"
        );
        for number in 1..=count {
            let mut text = system("pdftotext", "poppler-utils");
            text.args(["-f", &number.to_string(), "-l", &number.to_string()])
                .arg(&pdf)
                .arg("-");
            assert!(said(text).trim().len() > 20, "page {number} of {name} is empty");
        }
    }
}

/// The PDF that we write ourselves.
fn is_a_good_pdf(pdf: &Path, parts: &[&str]) {
    let mut fonts = system("pdffonts", "poppler-utils");
    fonts.arg(pdf);
    let fonts = said(fonts);
    let embedded: Vec<&str> = fonts.lines().skip(2).collect();
    assert!(!embedded.is_empty(), "{fonts}");
    for font in embedded {
        assert!(
            font.contains("LiberationSans") && font.contains(" yes yes yes"),
            "embedded, subset, readable: {fonts}"
        );
    }
    let mut info = system("pdfinfo", "poppler-utils");
    info.arg(pdf);
    let info = said(info);
    for part in [
        "Title:  ",
        "Tagged:          yes",
        "JavaScript:      no",
        "Encrypted:       no",
    ] {
        assert!(info.contains(part), "`{part}`: {info}");
    }
    let bytes = std::fs::read(pdf).expect("it was written");
    assert!(bytes.windows(9).any(|at| at == b"/Lang(en)") || bytes.windows(10).any(|at| at == b"/Lang (en)"));
    let mut images = system("pdfimages", "poppler-utils");
    images.arg("-list").arg(pdf);
    assert_eq!(said(images).lines().count(), 2, "charts are vectors");
    let mut text = system("pdftotext", "poppler-utils");
    text.arg("-layout").arg(pdf).arg("-");
    let text = said(text);
    let words: String = text.split_whitespace().collect::<Vec<_>>().join(" ");
    for part in parts {
        assert!(words.contains(part), "`{part}`: {text}");
    }
}

#[test]
fn a_run_is_reported_for_eyes_ears_and_paper() {
    let Lab { place, run, other } = lab();
    let page = place.path("read.html");
    let mut browser = Browser::start();
    reads_well(&mut browser, &page);
    prints_well(&mut browser, &place, &page, 8);

    // Strangers' text is text, to the letter.
    browser.open(&page, 1000, false);
    assert_eq!(
        browser.value("document.title"),
        format!("Run {run} on board {SERIAL_SHOWN}")
    );
    let fact = |name: &str| {
        format!(
            "[...document.querySelectorAll('.facts div')].find(div => div.children[0].textContent === '{name}').children[1].textContent"
        )
    };
    assert_eq!(browser.value(&fact("Board")), SERIAL_SHOWN);
    assert_eq!(
        browser.value(&fact("Recipe")),
        "\"AX-20 <b>preheat</b> & co\", revision 1"
    );
    assert_eq!(browser.value("document.querySelectorAll('b').length"), 0);

    assert_eq!(browser.value(&fact("Ceiling")), "110.0 °C, set by the recipe");
    let moved = written(&place, &["run", "report", &other], "moved.html");
    reads_well(&mut browser, &moved);
    let ceilings = browser.value(&fact("Ceiling")).as_str().expect("text").to_owned();
    assert!(
        ceilings.starts_with("110.0 °C, set by the recipe; from 0:")
            && ceilings.ends_with(" on 105.0 °C, set by the station"),
        "{ceilings}"
    );
    browser.open(&page, 1000, false);

    // What it shows is what an independent program finds in the exported file.
    same_as_numpy(&mut browser, &place, &run);

    // PDF, on both papers, °F as well.
    let pdf = written(&place, &["run", "report", &run], "run.pdf");
    let head = of_archive(&place, &["--json", "journal", "verify"]).json()["head"]
        .as_str()
        .expect("a hash")
        .to_owned();
    is_a_good_pdf(
        &pdf,
        &[
            "<U+202E><U+5BF8>",
            "Verdict",
            "pass",
            "ceiling 110.0 °C",
            &head,
            "Burns and fire",
            "every entry holds",
        ],
    );
    let (_, width, height) = pages(&pdf);
    assert!(
        (width - 595.28).abs() < 0.1 && (height - 841.89).abs() < 0.1,
        "A4: {width} x {height}"
    );
    let letter = written(
        &place,
        &[
            "--degrees",
            "fahrenheit",
            "run",
            "report",
            &run,
            "--paper",
            "letter",
        ],
        "letter-f.pdf",
    );
    is_a_good_pdf(&letter, &["230.0 °F", "Temperature, °F"]);
    let (_, width, height) = pages(&letter);
    assert!(
        (width - 612.0).abs() < 0.1 && (height - 792.0).abs() < 0.1,
        "Letter: {width} x {height}"
    );

    // Charts of several runs, and two laid over each other, in the same style.
    let stats = written(&place, &["run", "stats"], "stats.html");
    reads_well(&mut browser, &stats);
    prints_well(&mut browser, &place, &stats, 8);
    let compared = written(
        &place,
        &["run", "compare", &run, &other, "--align", "60C"],
        "compared.html",
    );
    reads_well(&mut browser, &compared);
    prints_well(&mut browser, &place, &compared, 4);
    is_a_good_pdf(
        &written(&place, &["run", "stats"], "stats.pdf"),
        &["Cpk", "Moving range"],
    );
    is_a_good_pdf(
        &written(&place, &["run", "compare", &run, &other], "compared.pdf"),
        &["Root mean square"],
    );

    // What can't be is said.
    let done = of_archive(
        &place,
        &["run", "report", "99", "-o", text(&place.path("none.html"))],
    );
    assert_eq!(done.code, 2, "{done:?}");
    assert!(!place.path("none.html").exists());
    let done = of_archive(
        &place,
        &["run", "report", &run, "-o", text(&place.path("run.doc"))],
    );
    assert!(
        done.code == 2 && done.stderr.contains("neither in .html nor in .pdf"),
        "{done:?}"
    );
}

/// In the page: seconds and °C of every point of the chart's curves, and of the heat below them (%), read off the scales.
const DRAWN: &str = "(hours => { const svg = document.querySelector('svg'); \
    const ticks = [...svg.querySelectorAll('text[text-anchor=end][x=\"40\"]')].map(tick => [Number(tick.textContent), Number(tick.getAttribute('y')) - 11 * 0.35]); \
    const points = path => { const numbers = path.getAttribute('d').match(/-?[0-9.]+/g).map(Number); let x = 0, y = 0, all = []; \
        for (let at = 0; at < numbers.length; at += 2) { x += numbers[at]; y += numbers[at + 1]; all.push([x, y]); } return all; }; \
    const curve = (ink, ticks) => { const [[a, ya], [b, yb]] = [ticks[0], ticks[ticks.length - 1]]; \
        return [...svg.querySelectorAll('path.l-' + ink)].filter(path => path.getAttribute('d').length > 60).flatMap(points) \
            .map(([x, y]) => [(x - 46) / 708 * hours * 3600, a + (y - ya) * (b - a) / (yb - ya)]); }; \
    const upper = ticks.filter(([, y]) => y < 330), lower = ticks.filter(([, y]) => y > 330); \
    return ['s0', 's1', 's2', 's3'].map(ink => curve(ink, upper)).concat([curve('heat', lower)]); })";

/// A chart of a shift is drawn with no more points than one of half an hour, and reaches as far as the one reading that was hotter than all
/// others: its own table says the same.
#[test]
fn a_long_run_has_a_small_report_with_every_extreme() {
    let mut place = Place::new();
    // Nothing was decided in it.
    place.spoil();
    let (short, long) = (30, 480);
    let rare = long::runs(&place.archive(), &[short, long]);
    let mut browser = Browser::start();
    let mut sizes = Vec::new();
    for (run, (minutes, rare)) in (1..).zip([short, long].into_iter().zip(&rare)) {
        let page = written(
            &place,
            &["run", "report", &format!("{run}")],
            &format!("run-{run}.html"),
        );
        sizes.push(std::fs::metadata(&page).expect("it was written").len());
        browser.open(&page, 1000, false);
        #[expect(clippy::cast_precision_loss, reason = "a few hours")]
        let hours = minutes as f64 / 60.0;
        let drawn: [Vec<(f64, f64)>; 5] =
            serde_json::from_value(browser.value(&format!("{DRAWN}({hours})"))).expect("five curves");
        let highest = |points: &[(f64, f64)]| {
            let highest = points
                .iter()
                .copied()
                .reduce(|best, one| if one.1 > best.1 { one } else { best });
            highest.expect("it has points")
        };
        let lowest = |points: &[(f64, f64)]| {
            let turned: Vec<(f64, f64)> = points.iter().map(|point| (point.0, -point.1)).collect();
            (highest(&turned).0, -highest(&turned).1)
        };
        // Lines are drawn to a tenth of a point, and a little is rounded away at each step.
        let near = |found: (f64, f64), meant: (f64, f64), apart: f64| {
            assert!(
                (found.0 - meant.0).abs() < hours * 3_600.0 / 708.0 && (found.1 - meant.1).abs() < apart,
                "{found:?} is not {meant:?}"
            );
        };
        near(highest(&drawn[1]), rare.highest, 0.3);
        near(lowest(&drawn[0]), rare.lowest, 0.3);
        let cooling: Vec<(f64, f64)> = drawn[4]
            .iter()
            .copied()
            .filter(|point| point.0 > hours * 3_600.0 * 0.75)
            .collect();
        near(highest(&cooling), (rare.heat.0, rare.heat.1 * 100.0), 1.0);
        for curve in &drawn {
            assert!(curve.len() < 4 * 1_400, "{} points in {minutes} min", curve.len());
        }
        let rows = table(&mut browser, "Each channel over the whole run");
        for (row, curve) in rows.iter().zip(&drawn) {
            let figure = |cell: &str| -> f64 {
                let number = cell.split(' ').next().expect("a number");
                number.parse().unwrap_or_else(|_| panic!("{row:?}"))
            };
            for (said, drawn) in [(&row[2], lowest(curve).1), (&row[3], highest(curve).1)] {
                assert!((figure(said) - drawn).abs() < 0.35, "{row:?} and {drawn}");
            }
            // Counted one by one: all that was read, and nothing while it was silent.
            assert_eq!(row[1], (minutes * 600 + 1 - 200).to_string(), "{row:?}");
        }
        assert!(
            rows[1][3].starts_with("118.7 ") && rows[0][2].starts_with("12.5 "),
            "{rows:?}"
        );
    }
    // Laid over each other they reach as far.
    let compared = of_archive(&place, &["--json", "run", "compare", "1", "2"]).json();
    for (run, rare) in compared["runs"].as_array().expect("two").iter().zip(&rare) {
        let curve = run["curve"].as_array().expect("points");
        let highest = curve
            .iter()
            .filter_map(|point| point["celsius"].as_f64())
            .reduce(f64::max);
        assert!(curve.len() <= 1_800, "{}", curve.len());
        assert!(
            highest.is_some_and(|highest| (highest - rare.highest.1).abs() < 0.001),
            "{highest:?}"
        );
    }
    assert!(
        sizes[1] < 200_000 && sizes[1] < sizes[0] * 2,
        "{sizes:?} bytes for {short} and {long} minutes"
    );
}

/// Rows of the table whose caption begins so.
fn table(browser: &mut Browser, caption: &str) -> Vec<Vec<String>> {
    let rows = browser.value(&format!(
        "[...[...document.querySelectorAll('table')].find(table => table.caption.textContent.startsWith('{caption}')).tBodies[0].rows].map(row \
             => [...row.cells].map(cell => cell.textContent))"
    ));
    serde_json::from_value(rows).expect("rows")
}

fn same_as_numpy(browser: &mut Browser, place: &Place, run: &str) {
    let steps = table(browser, "Readings every");
    let extremes = table(browser, "Each channel");
    let verdict = table(browser, "Each line");
    assert!((10..60).contains(&steps.len()), "{} rows", steps.len());
    let number = |text: &str| -> f64 {
        text.split(' ')
            .next()
            .and_then(|word| word.parse().ok())
            .unwrap_or_else(|| panic!("{text}"))
    };
    let seconds = |text: &str| text.split(':').fold(0.0, |sum, part| sum * 60.0 + number(part));
    // First and last are where the record begins and ends; the others are round.
    let times: Vec<String> = steps[1..steps.len() - 1]
        .iter()
        .map(|row| seconds(&row[0]).to_string())
        .collect();
    let csv = place.path("run.csv");
    let done = of_archive(
        place,
        &["run", "export", run, "--format", "csv", "-o", text(&csv)],
    );
    assert_eq!(done.code, 0, "{done:?}");
    let python = |script: &str, words: &[&str]| -> Value {
        // The system's own: numpy comes as its package.
        let mut command = Command::new("/usr/bin/python3");
        command.arg(file(script)).arg(&csv).args(words);
        serde_json::from_str(&said(command)).expect("JSON")
    };
    let times: Vec<&str> = times.iter().map(String::as_str).collect();
    let measured = python("reported.py", &times);
    for (row, expected) in steps[1..].iter().zip(measured["steps"].as_array().expect("rows")) {
        let near = |cell: &str, expected: &Value, within: f64| {
            // A busy machine leaves gaps in scaled time, and what is older than 2 s isn't shown.
            if cell == "-" {
                return;
            }
            let expected = expected.as_f64().expect("a number");
            assert!(
                (number(cell) - expected).abs() <= within,
                "{row:?}: {cell}, numpy says {expected}"
            );
        };
        near(&row[3], &expected[1], 0.0501);
        near(&row[4], &expected[2], 0.0501);
        if row[5] != "<1 %" {
            assert!(
                (number(&row[5]) / 100.0 - expected[0].as_f64().expect("a share")).abs() <= 0.00501,
                "{row:?} {expected}"
            );
        }
    }
    for row in &extremes {
        let expected = &measured["extremes"][&row[0]];
        assert_eq!(row[1], expected[0].to_string(), "{row:?}");
        for (cell, at) in [(&row[2], 1), (&row[3], 2)] {
            assert!(
                (number(cell) - expected[at].as_f64().expect("a number")).abs() <= 0.0501,
                "{row:?}: {expected}"
            );
        }
        assert!(
            (seconds(&row[4]) - expected[3].as_f64().expect("a number")).abs() <= 0.501,
            "{row:?}: {expected}"
        );
    }
    let recipe = place.path("recipe.toml");
    std::fs::write(&recipe, RECIPE).expect("the folder is ours");
    let judged = python("judged.py", &[text(&recipe)]);
    assert_eq!(verdict.len(), judged.as_object().expect("measures").len());
    for row in &verdict {
        let expected = judged[&row[0]]
            .as_f64()
            .unwrap_or_else(|| panic!("{} wasn't measured", row[0]));
        assert!(
            (number(&row[1]) - expected).abs() <= 0.0071,
            "{row:?}: numpy says {expected}"
        );
    }
}
