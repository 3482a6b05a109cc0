//! The page in a real browser, over any desk: checks shared by the desk's own test and the one through the binary.
//!
//! Needs Chromium and its driver. Both are found on PATH, or named by `CHROME` and `CHROMEDRIVER`. When they are missing
//! the checks are skipped and a line says so, unless `LAPWRIGHT_REQUIRE_BROWSER=1`: then that is a failure.
//! `LAPWRIGHT_SCREENSHOTS=DIR` keeps pictures of both pages at each width, by day and by night.

#[path = "../fixture/mod.rs"]
mod fixture;

use anyhow::{Context, Result, bail, ensure};
use fantoccini::actions::{InputSource, MouseActions, PointerAction};
use fantoccini::wd::WebDriverCompatibleCommand;
use fantoccini::{Client, ClientBuilder, Locator};
use serde_json::{Value, json};
use std::env;
use std::io::{BufRead, BufReader, Write};
use std::path::PathBuf;
use std::process::{Child, Command, ExitCode, Stdio};
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::{Duration, Instant};

/// Widths that must hold without scrolling sideways: phone, tablet, laptop, large screen.
const WIDTHS: [(u32, u32); 4] = [(390, 844), (1024, 768), (1440, 900), (1920, 1080)];

/// Runs all checks against the desk at `url`; without one, against a desk over the made-up season that is served here.
/// Checks that need the made-up season are skipped at other desks.
pub(crate) fn check(url: Option<String>) -> ExitCode {
    let required = env::var("LAPWRIGHT_REQUIRE_BROWSER").is_ok_and(|v| v == "1");
    let browser = program("CHROME", &["chromium", "chromium-browser", "chrome"]);
    // On Windows and macOS the driver knows where its browser is installed.
    let no_browser = browser.is_none() && !cfg!(any(windows, target_os = "macos"));
    let driver = program("CHROMEDRIVER", &["chromedriver"]).filter(|_| !no_browser);
    let Some(driver) = driver else {
        let _ = writeln!(
            std::io::stderr(),
            "browser checks skipped: no {} on PATH; install Chromium and its driver (Debian: apt-get install \
             chromium chromium-driver) or set CHROME and CHROMEDRIVER",
            if no_browser { "Chromium" } else { "chromedriver" }
        );
        say(if required { "0 passed, 1 failed, 0 skipped" } else { "0 passed, 0 failed, 1 skipped" });
        return if required { ExitCode::FAILURE } else { ExitCode::SUCCESS };
    };
    let runtime =
        tokio::runtime::Builder::new_multi_thread().enable_all().build().expect("threads for the checks");
    let tally = runtime.block_on(async {
        let mut tally = Tally::default();
        if let Err(error) = all(url, &driver, browser, &mut tally).await {
            tally.failed += 1;
            say(&format!("FAILED  the browser itself: {error:#}"));
        }
        tally
    });
    runtime.shutdown_timeout(Duration::from_secs(1));
    say(&format!("{} passed, {} failed, {} skipped", tally.passed, tally.failed, tally.skipped));
    if tally.failed > 0 { ExitCode::FAILURE } else { ExitCode::SUCCESS }
}

fn say(line: &str) {
    let _ = writeln!(std::io::stdout(), "{line}");
}

#[derive(Default)]
struct Tally {
    passed: u32,
    failed: u32,
    skipped: u32,
}

impl Tally {
    fn note(&mut self, name: &str, result: Result<()>) {
        match result {
            Ok(()) => {
                self.passed += 1;
                say(&format!("ok      {name}"));
            }
            Err(error) => {
                self.failed += 1;
                say(&format!("FAILED  {name}: {error:#}"));
            }
        }
    }

    fn skip(&mut self, name: &str, why: &str) {
        self.skipped += 1;
        say(&format!("skipped {name}: {why}"));
    }
}

/// A program named by an environment variable, or the first of `names` on PATH.
fn program(variable: &str, names: &[&str]) -> Option<PathBuf> {
    if let Some(path) = env::var_os(variable).filter(|v| !v.is_empty()) {
        return Some(path.into());
    }
    let paths = env::var_os("PATH")?;
    env::split_paths(&paths)
        .flat_map(|folder| {
            names
                .iter()
                .map(move |name| folder.join(format!("{name}{}", env::consts::EXE_SUFFIX)))
                .collect::<Vec<_>>()
        })
        .find(|file| file.is_file())
}

/// A child process that ends with its owner.
struct Ended(Child);

impl Drop for Ended {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// Starts the driver on a free port of its choice.
fn start_driver(driver: &PathBuf) -> Result<(Ended, String)> {
    let mut child = Command::new(driver)
        .arg("--port=0")
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .stdin(Stdio::null())
        .spawn()
        .with_context(|| format!("cannot start {}", driver.display()))?;
    let output = child.stdout.take().context("the driver's output")?;
    let child = Ended(child);
    let mut lines = BufReader::new(output).lines();
    for line in &mut lines {
        let line = line?;
        if let Some((_, rest)) = line.split_once("started successfully on port ") {
            let port: u16 = rest.trim_end_matches('.').trim().parse().with_context(|| line.clone())?;
            // The rest of its output is read away, or the driver would stop when the pipe is full.
            std::thread::spawn(move || lines.for_each(drop));
            return Ok((child, format!("http://127.0.0.1:{port}")));
        }
    }
    bail!("the driver ended without naming its port")
}

/// A command of the driver that the client library does not know.
#[derive(Debug)]
struct Extra {
    path: &'static str,
    body: Value,
}

impl WebDriverCompatibleCommand for Extra {
    fn endpoint(&self, base: &url::Url, session: Option<&str>) -> Result<url::Url, url::ParseError> {
        base.join(&format!("session/{}/{}", session.unwrap_or_default(), self.path))
    }

    fn method_and_body(&self, _: &url::Url) -> (axum::http::Method, Option<String>) {
        (axum::http::Method::POST, Some(self.body.to_string()))
    }
}

/// The browser, the address of the desk, and the made-up season when it is that.
struct Bench {
    client: Client,
    url: String,
    season: Option<Arc<fixture::Season>>,
}

impl Bench {
    async fn devtools(&self, command: &str, parameters: Value) -> Result<Value> {
        let body = json!({ "cmd": command, "params": parameters });
        Ok(self.client.issue_cmd(Extra { path: "goog/cdp/execute", body }).await?)
    }

    async fn screen(&self, width: u32, height: u32) -> Result<()> {
        let size = json!({ "width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 600 });
        self.devtools("Emulation.setDeviceMetricsOverride", size).await?;
        Ok(())
    }

    async fn night(&self, night: bool) -> Result<()> {
        let value = if night { "dark" } else { "light" };
        let features = json!({ "features": [{ "name": "prefers-color-scheme", "value": value }] });
        self.devtools("Emulation.setEmulatedMedia", features).await?;
        Ok(())
    }

    /// Goes to a page of the desk, with nothing left of the one before.
    async fn open(&self, hash: &str) -> Result<()> {
        self.client.goto("about:blank").await?;
        self.client.goto(&format!("{}{hash}", self.url)).await?;
        Ok(())
    }

    async fn js(&self, script: &str) -> Result<Value> {
        self.client.execute(script, vec![]).await.with_context(|| script.to_owned())
    }

    /// Keeps a picture when they are wanted.
    async fn picture(&self, name: &str) -> Result<()> {
        if let Some(folder) = env::var_os("LAPWRIGHT_SCREENSHOTS").map(PathBuf::from) {
            tokio::time::sleep(Duration::from_millis(250)).await; // Fonts and folds have settled.
            std::fs::create_dir_all(&folder)?;
            std::fs::write(folder.join(format!("{name}.png")), self.client.screenshot().await?)?;
        }
        Ok(())
    }

    /// Waits until a script says something true, at most ten seconds.
    async fn until(&self, script: &str) -> Result<Value> {
        let end = Instant::now() + Duration::from_secs(10);
        loop {
            let value = self.js(script).await?;
            if value.as_bool().unwrap_or(!value.is_null()) {
                return Ok(value);
            }
            ensure!(Instant::now() < end, "waited in vain for: {script}");
            tokio::time::sleep(Duration::from_millis(40)).await;
        }
    }

    async fn text(&self, css: &str) -> Result<String> {
        Ok(self.client.find(Locator::Css(css)).await.with_context(|| css.to_owned())?.text().await?)
    }

    /// Presses keys at the element that has the focus.
    async fn press(&self, keys: &str) -> Result<()> {
        Ok(self.client.active_element().await?.send_keys(keys).await?)
    }

    /// Moves the mouse to a place in the window.
    async fn point(&self, x: f64, y: f64) -> Result<()> {
        let to = PointerAction::MoveTo { duration: Some(Duration::ZERO), x: x.round(), y: y.round() };
        Ok(self.client.perform_actions(MouseActions::new("mouse".into()).then(to)).await?)
    }

    /// What the console has said since the last time, errors and warnings.
    async fn console(&self) -> Result<Vec<String>> {
        let log = self.client.issue_cmd(Extra { path: "se/log", body: json!({ "type": "browser" }) }).await?;
        let lines = log.as_array().cloned().unwrap_or_default();
        Ok(lines
            .iter()
            .filter(|l| l["level"] != "INFO" && l["level"] != "DEBUG")
            .map(|l| l["message"].to_string())
            .collect())
    }

    /// A lap with a time, as the desk lists it.
    async fn some_lap(&self) -> Result<String> {
        let script = "return fetch('/api/laps').then(r => r.json()).then(l => l.filter(l => l.kind === 'timed' && \
                      l.lap_time_s !== null).sort((a, b) => b.lap_time_s - a.lap_time_s)[0].id)";
        let value = self.js(script).await?;
        Ok(value.as_str().context("no timed lap")?.to_owned())
    }

    async fn open_ledger(&self) -> Result<String> {
        if self.js("return location.href").await?.as_str().is_none_or(|at| !at.starts_with(&self.url)) {
            self.open("").await?;
        }
        let lap = self.some_lap().await?;
        self.open(&format!("#/time/{lap}/best")).await?;
        self.until("return document.querySelectorAll('button.row').length > 3").await?;
        Ok(lap)
    }

    /// Opens the first entry when the page does not show one by itself, and waits for its evidence.
    async fn open_evidence(&self) -> Result<()> {
        if self.js("return document.querySelector('.aside') === null").await? == true {
            self.js("document.querySelector('button.row[data-entry]').click()").await?;
        }
        self.until("return document.querySelectorAll('.strip canvas').length >= 2").await?;
        Ok(())
    }
}

async fn all(
    url: Option<String>,
    driver: &PathBuf,
    browser: Option<PathBuf>,
    tally: &mut Tally,
) -> Result<()> {
    let (url, season, desk) = match url {
        Some(url) => (format!("{}/", url.trim_end_matches('/')), None, None),
        None => {
            let season = Arc::new(fixture::Season::new());
            let desk = desk::Desk::open(0)?;
            let url = desk.url();
            let task = tokio::spawn(desk.serve_until(Arc::clone(&season), std::future::pending()));
            (url, Some(season), Some(task))
        }
    };
    let (_driver, driver_url) = start_driver(driver)?;
    let profile = tempfile::tempdir()?;
    let mut options = json!({ "args": [
        "--headless=new", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
        "--disable-background-networking", "--disable-component-update", "--disable-sync",
        format!("--user-data-dir={}", profile.path().display()),
    ]});
    if let Some(browser) = browser {
        options["binary"] = json!(browser);
    }
    let capabilities = json!({ "goog:chromeOptions": options, "goog:loggingPrefs": { "browser": "ALL" } });
    let client = ClientBuilder::new(hyper_util::client::legacy::connect::HttpConnector::new())
        .capabilities(capabilities.as_object().cloned().unwrap_or_default())
        .connect(&driver_url)
        .await
        .context("the browser did not start; set CHROME to its program")?;
    let bench = Bench { client, url, season };

    macro_rules! check {
        ($name:literal, $run:expr) => {
            tally.note($name, $run.await)
        };
    }
    check!("the laps page lists every lap, with its kind and time", laps_are_listed(&bench));
    check!(
        "a lap is chosen and its account opened with the keyboard alone",
        keyboard_opens_an_account(&bench)
    );
    check!("the account's foot shows the sum and the gap, and they agree", the_foot_balances(&bench));
    check!("rows are reached by arrow keys and opened by Enter", rows_by_keyboard(&bench));
    check!("on a narrow screen the evidence folds out below its row, and away again", evidence_folds(&bench));
    check!("the evidence has a map with the stretch inked and every strip drawn", evidence_is_drawn(&bench));
    check!("what was measured stands on the curves and in a table", measured(&bench));
    check!("one cursor runs through all strips, the map and the table", one_cursor(&bench));
    check!("the cursor moves by keys", cursor_by_keys(&bench));
    check!("the whole lap can be shown instead of the stretch", whole_lap(&bench));
    check!("entries can be read along the track, with a sum per corner", along_the_track(&bench));
    check!("the phases can be read instead, and sum to the same gap", by_phase(&bench));
    check!("the account sums what each owner and each corner has", owners_and_corners(&bench));
    check!("level entries are folded together, and still counted", level_entries(&bench));
    check!(
        "the keys are listed on a question mark, the cautions stand one step away",
        keys_and_cautions(&bench)
    );
    check!("an address with an entry opens that entry", shared_address(&bench));
    check!("units change everywhere and are remembered", units(&bench));
    check!(
        "nothing scrolls sideways at 390, 1024, 1440 and 1920 px, by day and by night",
        every_width(&bench)
    );
    check!("rows are at least 44 px high on a phone", finger_sized(&bench));
    check!("nothing is loaded from elsewhere", only_from_here(&bench));
    check!("the console is silent", silent_console(&bench));
    check!("a lap that does not exist gives a sentence and a way to try again", unknown_lap(&bench));
    if bench.season.is_some() {
        check!("work that takes long says what it does, and can be stopped", long_work(&bench));
        check!("channels that were not recorded are said to be missing", missing_channels(&bench));
        check!("laps without a time say what they lack", no_timed_lap(&bench));
        check!(
            "an empty library says what would fill it, a closed desk that it is closed",
            empty_library(&bench)
        );
    } else {
        for name in ["long work", "missing channels", "laps without a time", "an empty library"] {
            tally.skip(name, "needs the made-up season");
        }
    }
    bench.client.close().await?;
    if let Some(task) = desk {
        task.abort();
    }
    Ok(())
}

async fn laps_are_listed(bench: &Bench) -> Result<()> {
    bench.screen(1440, 900).await?;
    bench.night(false).await?;
    bench.open("").await?;
    bench.until("return document.querySelectorAll('tr .lap').length > 0").await?;
    ensure!(bench.text("h1").await? == "Which laps are in the book?");
    let counts = bench
        .js("return fetch('/api/laps').then(r => r.json()).then(laps => ({ \
             laps: laps.length, shown: document.querySelectorAll('tbody tr').length, \
             timed: laps.filter(l => l.lap_time_s !== null).length, radios: document.querySelectorAll('input[type=radio]').length, \
             times: [...document.querySelectorAll('tbody .time')].filter(t => /^(\\d+:)?\\d{1,2}\\.\\d{3}$/.test(t.textContent)).length }))")
        .await?;
    ensure!(counts["laps"] == counts["shown"], "{counts}");
    ensure!(counts["timed"] == counts["radios"] && counts["timed"] == counts["times"], "{counts}");
    Ok(())
}

async fn keyboard_opens_an_account(bench: &Bench) -> Result<()> {
    bench.open("").await?;
    bench.until("return document.querySelector('input[type=radio]:checked') !== null").await?;
    bench.js("document.querySelector('input[type=radio]:checked').focus()").await?;
    let before = bench.js("return document.querySelector('input[type=radio]:checked').value").await?;
    bench.press("\u{e015}").await?; // Arrow down.
    let chosen = bench.js("return document.querySelector('input[type=radio]:checked').value").await?;
    ensure!(before != chosen, "the arrow key chose nothing else than {before}");
    bench.press("\u{e007}").await?; // Enter.
    bench.until("return document.querySelectorAll('button.row').length > 3").await?;
    ensure!(bench.text("h1").await? == "Where is the time?");
    let at = bench.client.current_url().await?;
    let id = chosen.as_str().context("a lap id")?;
    ensure!(at.fragment().is_some_and(|f| f.contains(id)), "{at} does not name {id}");
    Ok(())
}

async fn the_foot_balances(bench: &Bench) -> Result<()> {
    let lap = bench.open_ledger().await?;
    let sum = bench.text("#account-sum").await?;
    let gap = bench.text("#account-gap").await?;
    ensure!(sum == gap, "sum {sum}, gap {gap}");
    let script =
        format!("return fetch('/api/ledger?lap={lap}&against=best').then(r => r.json()).then(l => l.gap_s)");
    let gap_s = bench.js(&script).await?.as_f64().context("gap_s")?;
    let shown: f64 = gap.replace('\u{2212}', "-").parse().with_context(|| gap.clone())?;
    ensure!((shown - gap_s).abs() <= 0.0005, "the page says {gap}, the API {gap_s}");
    ensure!(bench.js("return document.querySelector('.foot .agrees') !== null").await? == true);
    Ok(())
}

async fn rows_by_keyboard(bench: &Bench) -> Result<()> {
    bench.screen(1440, 900).await?;
    bench.open_ledger().await?;
    bench.js("document.querySelector('button.row[tabindex=\"0\"]').focus()").await?;
    bench.press("\u{e011}").await?; // Home.
    bench.press("\u{e015}").await?;
    bench.press("\u{e015}").await?;
    let third =
        bench.js("return document.activeElement === document.querySelectorAll('button.row')[2]").await?;
    ensure!(third == true, "two arrow keys did not lead to the third row");
    bench.press("\u{e007}").await?;
    let key = bench.js("return document.activeElement.dataset.entry").await?;
    bench.until("return document.activeElement.getAttribute('aria-expanded') === 'true'").await?;
    let at = bench.client.current_url().await?;
    let key = key.as_str().context("the key of an entry")?;
    ensure!(at.fragment().is_some_and(|f| f.ends_with(key)), "{at} does not name {key}");
    bench.press("\u{e011}").await?; // Home.
    ensure!(
        bench.js("return document.activeElement === document.querySelector('button.row')").await? == true
    );
    Ok(())
}

async fn evidence_folds(bench: &Bench) -> Result<()> {
    bench.screen(1024, 768).await?;
    bench.open_ledger().await?;
    ensure!(
        bench.js("return document.querySelector('.evidence') === null").await? == true,
        "open before it was asked for"
    );
    bench.js("document.querySelector('button.row').focus()").await?;
    bench.press("\u{e007}").await?;
    bench.until("return document.querySelector('li.is-open .fold .evidence') !== null").await?;
    // Another row, opened below the fold that closes, stays where it was.
    let top = "return document.querySelectorAll('button.row[data-entry]')[3].getBoundingClientRect().top";
    bench
        .js("document.querySelectorAll('button.row[data-entry]')[3].scrollIntoView({ block: 'center' })")
        .await?;
    let before = bench.js(top).await?.as_f64().context("top")?;
    bench.js("document.querySelectorAll('button.row[data-entry]')[3].click()").await?;
    bench.until("return document.querySelectorAll('li.is-open [data-entry]')[0] === document.querySelectorAll('button.row[data-entry]')[3]").await?;
    let after = bench.js(top).await?.as_f64().context("top")?;
    ensure!((after - before).abs() < 2.0, "the row went from {before} to {after}");
    bench.js("document.querySelectorAll('button.row[data-entry]')[3].click()").await?;
    bench.until("return document.querySelector('.evidence') === null").await?;
    bench.screen(1440, 900).await
}

async fn evidence_is_drawn(bench: &Bench) -> Result<()> {
    bench.open_ledger().await?;
    bench.open_evidence().await?;
    let drawn = bench
        .js("return { inked: [...document.querySelectorAll('.map.circuit .inked')].every(p => p.getTotalLength() > 5) && \
                 document.querySelectorAll('.map.circuit .inked').length > 0, \
               names: document.querySelectorAll('.map.circuit .name').length, \
               lap: document.querySelector('.map.lines .lap').getTotalLength(), \
               reference: document.querySelector('.map.lines .reference').getTotalLength(), \
               dashed: getComputedStyle(document.querySelector('.map.lines .reference')).strokeDasharray, \
               blank: [...document.querySelectorAll('.strip canvas')].filter(c => \
                 c.getContext('2d').getImageData(0, 0, c.width, c.height).data.every(v => v === 0)).length, \
               strips: [...document.querySelectorAll('.strip')].map(s => s.dataset.channel).join(' '), \
               ruler: document.querySelectorAll('.ruler .corner').length }")
        .await?;
    ensure!(drawn["inked"] == true, "{drawn}");
    ensure!(drawn["names"].as_u64() > Some(2), "{drawn}");
    ensure!(drawn["lap"].as_f64() > Some(20.0) && drawn["reference"].as_f64() > Some(20.0), "{drawn}");
    ensure!(drawn["dashed"] != "none", "{drawn}");
    ensure!(drawn["blank"] == 0, "{drawn}");
    ensure!(
        drawn["strips"]
            .as_str()
            .is_some_and(|s| s.starts_with("speed brake throttle steering") && s.ends_with("gap")),
        "{drawn}"
    );
    ensure!(drawn["ruler"].as_u64() > Some(0), "{drawn}");
    Ok(())
}

async fn measured(bench: &Bench) -> Result<()> {
    let lap = bench.open_ledger().await?;
    // The reading may stand with the entry's own phase or with another one of its corner.
    let script = format!(
        "return fetch('/api/ledger?lap={lap}&against=best').then(r => r.json()).then(l => {{ \
         const onset = e => [e, ...l.phases.filter(p => p.corner === e.corner && p.from_m > 0)].map(p => p.evidence.brake_onset_m).find(r => r); \
         const differs = r => r && r.lap !== null && r.reference !== null && Math.abs(r.lap - r.reference) > 1; \
         const e = l.entries.find(e => e.cause === 'brake_point' && differs(onset(e))); \
         return e && [e.corner + '-' + e.phase + '-brake-point', onset(e).lap - onset(e).reference, e.owner_reason, e.certainty] }})"
    );
    let found = bench.js(&script).await?;
    let (key, by_m) =
        (found[0].as_str().context("no brake points that differ")?, found[1].as_f64().context("metres")?);
    bench.open(&format!("#/time/{lap}/best/{key}")).await?;
    bench.until("return document.querySelector('.strip[data-channel=brake] .mark') !== null").await?;
    let said = bench.text(".strip[data-channel=brake] .mark").await?;
    let expected = format!("brake {:.0} m {}", by_m.abs(), if by_m < 0.0 { "earlier" } else { "later" });
    ensure!(said.replace('\u{a0}', " ") == expected, "{said}, not {expected}");
    let why = bench.text(".why").await?.replace('\u{a0}', " ");
    let (reason, certainty) = (found[2].as_str().unwrap_or_default(), found[3].as_str().unwrap_or_default());
    ensure!(why.contains(reason) && why.contains(certainty) && why.contains("between"), "{why}");
    ensure!(
        bench.js("return document.querySelectorAll('.strip[data-channel=brake] .ring').length >= 2").await?
            == true
    );
    ensure!(bench.text(".measured").await?.contains("Brake point"));
    Ok(())
}

/// Where the cursor is: its line, the table, the dots of both maps.
const CURSOR: &str = "return { line: document.querySelector('.cursor').getBoundingClientRect().x, \
    lines: document.querySelectorAll('.cursor').length, place: document.querySelector('#cursor-place').textContent, \
    speed: document.querySelector('.values tbody td').textContent, \
    dot: document.querySelector('.map.lines .dot.lap').getAttribute('cx') + document.querySelector('.map.lines .dot.lap').getAttribute('cy'), \
    here: document.querySelector('.map.circuit .here').getAttribute('cx') + document.querySelector('.map.circuit .here').getAttribute('cy'), \
    top: document.querySelector('.cursor').getBoundingClientRect().top, bottom: document.querySelector('.cursor').getBoundingClientRect().bottom, \
    first: document.querySelector('.strip').getBoundingClientRect().top, last: [...document.querySelectorAll('.strip')].pop().getBoundingClientRect().bottom }";

async fn one_cursor(bench: &Bench) -> Result<()> {
    bench.screen(1440, 1100).await?;
    bench.open_ledger().await?;
    bench.open_evidence().await?;
    let mut seen: Vec<Value> = Vec::new();
    for (channel, share) in [("speed", 0.3), ("brake", 0.55), ("gap", 0.8)] {
        let script = format!(
            "const s = document.querySelector('.strip[data-channel={channel}]'); s.scrollIntoView({{ block: 'nearest' }}); \
             const b = s.querySelector('canvas').getBoundingClientRect(); return [b.x + b.width * {share}, b.y + b.height / 2]"
        );
        let place = bench.js(&script).await?;
        let (x, y) = (place[0].as_f64().context("x")?, place[1].as_f64().context("y")?);
        bench.point(x, y).await?;
        bench
            .until(&format!(
                "return Math.abs(document.querySelector('.cursor').getBoundingClientRect().x + 8.5 - {x}) < 2"
            ))
            .await
            .with_context(|| format!("the cursor did not follow to the pointer over {channel}"))?;
        let now = bench.js(CURSOR).await?;
        ensure!(now["lines"] == 1, "{now}");
        ensure!(
            now["top"].as_f64() <= now["first"].as_f64() && now["bottom"].as_f64() >= now["last"].as_f64(),
            "{now}"
        );
        for before in &seen {
            for part in ["place", "dot", "here"] {
                ensure!(before[part] != now[part], "{part} stood still: {before} {now}");
            }
        }
        seen.push(now);
    }
    Ok(())
}

async fn cursor_by_keys(bench: &Bench) -> Result<()> {
    bench.open_ledger().await?;
    bench.open_evidence().await?;
    bench.js("document.querySelector('.cursor').focus()").await?;
    bench.press("\u{e011}").await?; // Home: the start of what is shown.
    let start = bench.js(CURSOR).await?;
    for _ in 0..3 {
        bench.press("\u{e014}").await?; // Arrow right.
    }
    let now = bench.js(CURSOR).await?;
    ensure!(start["line"].as_f64() < now["line"].as_f64() && start["dot"] != now["dot"], "{start} {now}");
    bench.press("\u{e010}").await?; // End.
    let end = bench.js(CURSOR).await?;
    ensure!(now["line"].as_f64() < end["line"].as_f64(), "{now} {end}");
    let role = bench.js("return document.activeElement.getAttribute('role') + document.activeElement.getAttribute('aria-valuetext')").await?;
    ensure!(role.as_str().is_some_and(|r| r.starts_with("slider") && r.contains("from the line")), "{role}");
    Ok(())
}

async fn whole_lap(bench: &Bench) -> Result<()> {
    bench.open_ledger().await?;
    bench.open_evidence().await?;
    let ticks = "return document.querySelectorAll('.ruler .corner-name').length";
    bench.js("[...document.querySelectorAll('.evidence .switch button')].pop().click()").await?;
    let corners = bench.js("return document.querySelectorAll('.map.circuit .name').length").await?;
    bench
        .until(&format!("return document.querySelectorAll('.ruler .corner-name').length === {corners}"))
        .await?;
    let whole = bench.js(ticks).await?;
    ensure!(whole == corners, "{whole} of {corners} corners on the ruler");
    ensure!(
        bench.js("return document.querySelectorAll('.stretch-band').length > 0").await? == true,
        "the stretch is not marked"
    );
    bench.picture("whole-lap-1440-day").await
}

/// Shows all entries that are folded together.
const UNFOLD: &str =
    "document.querySelectorAll('button.row.level[aria-expanded=false]').forEach(b => b.click())";

async fn along_the_track(bench: &Bench) -> Result<()> {
    let lap = bench.open_ledger().await?;
    bench.js("document.querySelector('[data-by=track]').click()").await?;
    bench.until("return document.querySelectorAll('.corner-head').length > 2").await?;
    bench.picture("along-the-track-1440-day").await?;
    bench.js(UNFOLD).await?;
    let script = format!(
        "return fetch('/api/ledger?lap={lap}&against=best').then(r => r.json()).then(l => [l.entries.length, \
         document.querySelectorAll('button.row[data-entry]').length, \
         [...document.querySelectorAll('.corner-head .figure')].map(f => Number(f.textContent.replace('\u{2212}', '-'))).reduce((a, b) => a + b), \
         l.gap_s, document.querySelectorAll('.corner-head').length])"
    );
    bench.until(&format!("return (() => {{ {script} }})().then(f => f[0] === f[1])")).await?;
    let found = bench.js(&script).await?;
    let number = |i: usize| found[i].as_f64().context("a number");
    // Each corner's figure is rounded by itself.
    ensure!((number(2)? - number(3)?).abs() <= 0.0005 * number(4)? + 1e-9, "{found}");
    Ok(())
}

async fn by_phase(bench: &Bench) -> Result<()> {
    let lap = bench.open_ledger().await?;
    bench.js("document.querySelector('[data-by=phase]').click()").await?;
    bench.until("return document.querySelectorAll('.corner-head').length > 2").await?;
    bench.js(UNFOLD).await?;
    let script = format!(
        "return fetch('/api/ledger?lap={lap}&against=best').then(r => r.json()).then(l => [l.phases.length, \
         document.querySelectorAll('button.row[data-entry]').length])"
    );
    bench.until(&format!("return (() => {{ {script} }})().then(f => f[0] === f[1])")).await?;
    let (sum, gap) = (bench.text("#account-sum").await?, bench.text("#account-gap").await?);
    ensure!(sum == gap, "sum {sum}, gap {gap}");
    // A phase has an address of its own, which opens this reading.
    let key = bench.js("return document.querySelectorAll('button.row[data-entry]')[2].dataset.entry").await?;
    let key = key.as_str().context("the key of a phase")?;
    bench.open(&format!("#/time/{lap}/best/{key}")).await?;
    bench
        .until(&format!(
            "return document.querySelector('[data-entry=\"{key}\"][aria-expanded=true]') !== null"
        ))
        .await?;
    ensure!(bench.js("return document.querySelector('[data-by=phase]').ariaPressed").await? == "true");
    Ok(())
}

async fn owners_and_corners(bench: &Bench) -> Result<()> {
    let lap = bench.open_ledger().await?;
    let script = format!(
        "return fetch('/api/ledger?lap={lap}&against=best').then(r => r.json()).then(l => {{ \
         const shown = css => [...document.querySelectorAll(css + ' .part')].map(p => [p.firstElementChild.textContent, \
           Number(p.lastElementChild.textContent.replace('\u{2212}', '-'))]); \
         const off = (parts, of) => parts.filter(([name, s]) => Math.abs(s - l.entries.filter(e => of(e) === name).reduce((a, e) => a + e.seconds, 0)) > 0.00051); \
         const first = 'line to ' + l.corners[0].name; \
         return [off(shown('.by-owner'), e => e.owner === 'unknown' || e.owner === null ? 'not settled' : e.owner), \
           off(shown('.by-corner'), e => e.from_m === 0 && e.phase === 'straight' ? first : e.corner), \
           shown('.by-owner').length, new Set([...document.querySelectorAll('button.row[data-entry]')].map(b => b.dataset.entry)).size - \
             document.querySelectorAll('button.row[data-entry]').length] }})"
    );
    let found = bench.js(&script).await?;
    ensure!(found == json!([[], [], 4, 0]), "{found}");
    // A word for the owner, one for the certainty, and the interval stand with each cause.
    let where_words = bench.text("button.row[data-entry] .where:has(.interval)").await?;
    ensure!(
        ["sure", "likely", "open"].iter().any(|w| where_words.contains(w)) && where_words.contains("between"),
        "{where_words}"
    );
    Ok(())
}

async fn level_entries(bench: &Bench) -> Result<()> {
    bench.open_ledger().await?;
    let sum = bench.text("#account-sum").await?;
    let said = bench.text("button.row.level .sentence").await?.replace('\u{a0}', " ");
    ensure!(said.ends_with("level within 0.005 s"), "{said}");
    let count: usize = said.split(' ').next().unwrap_or_default().parse().with_context(|| said.clone())?;
    let rows = "return document.querySelectorAll('button.row[data-entry]').length";
    let before = bench.js(rows).await?.as_u64().context("rows")?;
    bench.js(UNFOLD).await?;
    bench.until(&format!("return (() => {{ {rows} }})() === {}", before + count as u64)).await?;
    ensure!(bench.text("#account-sum").await? == sum, "the sum changed with the fold");
    Ok(())
}

async fn keys_and_cautions(bench: &Bench) -> Result<()> {
    bench.open_ledger().await?;
    bench.js("document.querySelector('button.row').focus()").await?;
    bench.press("?").await?;
    bench.until("return document.querySelector('dialog.keys').open").await?;
    ensure!(bench.text("dialog.keys").await?.contains("The cursor on the curves"));
    bench.picture("keys-1440-day").await?;
    bench.press("\u{e00c}").await?; // Escape.
    bench.until("return !document.querySelector('dialog.keys').open").await?;
    bench.js("document.querySelector('.colophon a').click()").await?;
    bench.until("return document.querySelector('.cautions') !== null").await?;
    let said = bench.text("main").await?;
    ensure!(["hands", "bolted", "breaks", "real car"].iter().all(|w| said.contains(w)), "{said}");
    bench.picture("cautions-1440-day").await
}

async fn shared_address(bench: &Bench) -> Result<()> {
    let lap = bench.open_ledger().await?;
    let keys = bench
        .js("return [...document.querySelectorAll('button.row[data-entry]')].map(b => b.dataset.entry)")
        .await?;
    let key = keys[1].as_str().context("a second entry")?;
    bench.screen(1024, 768).await?;
    bench.open(&format!("#/time/{lap}/best/{key}")).await?;
    bench
        .until(&format!("return document.querySelector('li.is-open [data-entry=\"{key}\"]') !== null"))
        .await?;
    bench.until("return document.querySelector('.fold .evidence') !== null").await?;
    bench.screen(1440, 900).await
}

async fn units(bench: &Bench) -> Result<()> {
    bench.open_ledger().await?;
    bench.open_evidence().await?;
    let unit = "return document.querySelector('.strip[data-channel=speed] .strip-name').textContent";
    ensure!(bench.js(unit).await?.as_str().is_some_and(|t| t.contains("km/h")));
    bench.js("const s = document.querySelector('.units select'); s.value = 'imperial'; s.dispatchEvent(new Event('change', { bubbles: true }))").await?;
    bench.until(&format!("return (() => {{ {unit} }})().includes('mph')")).await?;
    bench.open_ledger().await?;
    bench.open_evidence().await?;
    ensure!(bench.js(unit).await?.as_str().is_some_and(|t| t.contains("mph")), "forgotten by a reload");
    ensure!(bench.text("#cursor-place").await?.contains("ft"));
    bench.js("localStorage.clear()").await?;
    Ok(())
}

async fn every_width(bench: &Bench) -> Result<()> {
    let pictures = env::var_os("LAPWRIGHT_SCREENSHOTS").is_some();
    for night in [false, true] {
        bench.night(night).await?;
        for (width, height) in WIDTHS {
            for page in ["laps", "ledger", "entry", "cautions"] {
                bench.screen(width, height).await?;
                if page == "laps" {
                    bench.open("").await?;
                    bench.until("return document.querySelectorAll('tr .lap').length > 0").await?;
                } else if page == "cautions" {
                    bench.open("#/cautions").await?;
                    bench.until("return document.querySelector('.cautions') !== null").await?;
                } else {
                    bench.open_ledger().await?;
                    if page == "entry" {
                        bench.open_evidence().await?;
                    }
                }
                let state = bench
                    .js("document.fonts.load('600 20px Bitter'); return { scroll: document.documentElement.scrollWidth, width: innerWidth, \
                         wide: [...document.querySelectorAll('main *')].filter(e => e.getBoundingClientRect().right > innerWidth + 1 && \
                           !e.closest('.book, svg, .strips')).slice(0, 3).map(e => e.tagName + '.' + e.getAttribute('class')), \
                         paper: getComputedStyle(document.body).backgroundColor }")
                    .await?;
                let place = format!("{page} at {width} px{}", if night { ", night" } else { "" });
                ensure!(state["width"] == width, "{place}: {state}");
                ensure!(
                    state["scroll"].as_u64() <= Some(u64::from(width)),
                    "{place} scrolls sideways: {state}"
                );
                ensure!(state["wide"] == json!([]), "{place} is cut off: {state}");
                let paper = if night { "rgb(22, 23, 26)" } else { "rgb(251, 249, 244)" };
                ensure!(state["paper"] == paper, "{place}: {state}");
                if pictures {
                    let name = format!("{page}-{width}-{}", if night { "night" } else { "day" });
                    // A folded-out page is pictured in full, the others as the screen shows them.
                    if page == "entry" && width < 1240 || width < 600 {
                        let full = bench
                            .js("return document.documentElement.scrollHeight")
                            .await?
                            .as_u64()
                            .unwrap_or(0);
                        bench.screen(width, u32::try_from(full)?.clamp(height, 2600)).await?;
                    }
                    bench.picture(&name).await?;
                }
            }
        }
    }
    bench.night(false).await?;
    bench.screen(1440, 900).await
}

async fn finger_sized(bench: &Bench) -> Result<()> {
    bench.screen(390, 844).await?;
    bench.open_ledger().await?;
    let low = "return [...document.querySelectorAll('button.row, .lap label, .pair select, .account .switch button, .colophon a')].map(e => e.getBoundingClientRect().height).filter(h => h < 44).length";
    ensure!(bench.js(low).await? == 0);
    bench.open("").await?;
    bench.until("return document.querySelectorAll('.lap label').length > 0").await?;
    ensure!(bench.js(low).await? == 0);
    bench.screen(1440, 900).await
}

async fn only_from_here(bench: &Bench) -> Result<()> {
    bench.open_ledger().await?;
    let strangers = bench
        .js("return performance.getEntriesByType('resource').map(r => r.name).filter(n => !n.startsWith(location.origin + '/'))")
        .await?;
    ensure!(strangers == json!([]), "{strangers}");
    Ok(())
}

async fn silent_console(bench: &Bench) -> Result<()> {
    let said = bench.console().await?;
    ensure!(said.is_empty(), "{}", said.join("\n"));
    Ok(())
}

async fn unknown_lap(bench: &Bench) -> Result<()> {
    bench.open("#/time/no-such-recording:1/best").await?;
    bench.until("return document.querySelector('[role=alert]') !== null").await?;
    let sentence = bench.text("[role=alert] p").await?;
    ensure!(sentence.contains("no-such-recording"), "{sentence}");
    ensure!(bench.text("[role=alert] button").await? == "Try again");
    // A lap that is there against one that is not: the choice of another stays at hand.
    bench.open("").await?;
    let lap = bench.some_lap().await?;
    bench.open(&format!("#/time/{lap}/no-such-recording:1")).await?;
    bench.until("return document.querySelector('[role=alert]') !== null && document.querySelector('.of-reference select') !== null").await?;
    bench.js("const s = document.querySelector('.of-reference select'); s.value = 'best'; s.dispatchEvent(new Event('change', { bubbles: true }))").await?;
    bench.until("return document.querySelectorAll('button.row').length > 3").await?;
    let _ = bench.console().await?; // The browser notes the refusal itself.
    Ok(())
}

async fn long_work(bench: &Bench) -> Result<()> {
    let season = bench.season.as_ref().context("the made-up season")?;
    season.delay_ms.store(3_500, Ordering::Relaxed);
    let result = async {
        bench.open("#/time/evening-two:1/best").await?;
        bench.until("return (document.querySelector('.working')?.textContent ?? '').includes('Working out where the time is')").await?;
        bench.until("return (document.querySelector('.working')?.textContent ?? '').includes(' s so far')").await?;
        bench.js("document.querySelector('.working button').click()").await?;
        bench.until("return (document.querySelector('.notice')?.textContent ?? '').includes('Stopped')").await?;
        season.delay_ms.store(0, Ordering::Relaxed);
        bench.js("document.querySelector('.notice button').click()").await?;
        bench.until("return document.querySelectorAll('button.row').length > 3").await
    }
    .await;
    season.delay_ms.store(0, Ordering::Relaxed);
    result.map(|_| ())
}

async fn missing_channels(bench: &Bench) -> Result<()> {
    bench.open("#/time/short-log:1/short-log:1/T4-approach").await?;
    bench.until("return document.querySelectorAll('button.row').length > 0").await?;
    ensure!(bench.text(".answer").await?.contains("measured against itself"));
    bench.until("return document.querySelectorAll('.strip canvas').length === 2").await?;
    let said = bench.text(".evidence").await?;
    ensure!(said.contains("No positions were recorded"), "{said}");
    ensure!(said.contains("Neither lap has this channel recorded"), "{said}");
    ensure!(said.contains("not recorded"), "{said}");
    bench.picture("missing-channels-1440-day").await
}

async fn no_timed_lap(bench: &Bench) -> Result<()> {
    let desk = desk::Desk::open(0)?;
    let url = desk.url();
    let task = tokio::spawn(desk.serve_until(Arc::new(fixture::Untimed), std::future::pending()));
    bench.client.goto(&url).await?;
    bench.until("return document.querySelector('.recording') !== null").await?;
    let said = bench.text("main").await?;
    bench.picture("untimed-1440-day").await?;
    task.abort();
    ensure!(said.contains("No lap has a time yet") && said.contains("ends before the line"), "{said}");
    Ok(())
}

async fn empty_library(bench: &Bench) -> Result<()> {
    let desk = desk::Desk::open(0)?;
    let url = desk.url();
    let (close, closed) = tokio::sync::oneshot::channel::<()>();
    let task = tokio::spawn(desk.serve_until(Arc::new(fixture::Empty), async {
        let _ = closed.await;
    }));
    bench.client.goto(&url).await?;
    bench.until("return document.querySelector('.advice') !== null").await?;
    let said = bench.text("main").await?;
    bench.picture("empty-1440-day").await?;
    ensure!(said.contains("lapwright import") && said.contains("lapwright demo"), "{said}");
    // The same desk, closed while its page is open.
    let _ = close.send(());
    task.await??;
    bench.js("location.hash = '#/time/a:1'").await?;
    bench.until("return document.querySelector('[role=alert]') !== null").await?;
    let sentence = bench.text("[role=alert] p").await?;
    ensure!(sentence.contains("The desk does not answer"), "{sentence}");
    Ok(())
}
