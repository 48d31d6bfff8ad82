//! `/` in a browser: headless Chromium on a telephone's and a desk's screen, in light and dark, over the Chrome
//! DevTools Protocol (<https://chromedevtools.github.io/devtools-protocol/>). Needs chromium, run by `.ci/run`.
//!
//! The states are made by a hub of the library that a thread feeds, because a kit would have to be waited for;
//! the daemon that is killed is the real one. With `PAGE_SHOTS=FOLDER` pictures of the screen are kept there.

use std::net::{SocketAddr, TcpStream};
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicBool, Ordering::SeqCst};
use std::sync::{Arc, Mutex};
use std::time::{Duration, SystemTime};

use hereabout_api::{ApiSettings, ClockStatus, Connectivity, Hub, HubInfo, LinkView, SiteInfo, bind, serve};
use hereabout_core::{
    Anchor, AnchorId, AnchorState, Correction, Dimension, Fence, Location, Micros, Place, PositionReport,
    TagId, TagPlace, Timestamp, Zone, ZoneRule, ZoneShape, ZoneState,
};
use hereabout_engine::{
    AnchorFinding, AnchorHealth, AnchorTable, CannotTell, KitFinding, Output, PlaceAnswer, ZoneReport,
    ZoneWhy,
};
use rustix::process::Signal;
use serde_json::{Value, json};
use tokio_tungstenite::tungstenite::{self, Message, WebSocket};
use tokio_util::sync::CancellationToken;

use crate::support::nursery;
use crate::support::{Daemon, Line, get, wait_for};

fn clock() -> Timestamp {
    let since = SystemTime::now().duration_since(SystemTime::UNIX_EPOCH).unwrap();
    Timestamp::from_micros(since.as_micros() as i64)
}

/// A browser with one page, ended by its own id.
struct Browser {
    child: Child,
    socket: WebSocket<TcpStream>,
    next: u64,
    events: Vec<Value>,
    _profile: tempfile::TempDir,
}

impl Browser {
    fn start() -> Browser {
        let profile = tempfile::tempdir().unwrap();
        let fixed = [
            "--headless=new",
            "--no-sandbox",
            "--disable-gpu",
            "--disable-dev-shm-usage",
            "--hide-scrollbars",
            "--no-first-run",
            "--disable-background-networking",
            "--disable-component-update",
            "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1",
            "--remote-debugging-port=0",
        ];
        let child = Command::new("chromium")
            .args(fixed)
            .arg(format!("--user-data-dir={}", profile.path().display()))
            .arg("about:blank")
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("chromium from the distribution's packages");
        let port = wait_for("the browser's port", || {
            let text = std::fs::read_to_string(profile.path().join("DevToolsActivePort")).ok()?;
            text.lines().nth(1).and(text.lines().next()).map(str::to_owned)
        });
        let url = wait_for("the browser's page", || {
            let (_, _, list) = get(&format!("http://127.0.0.1:{port}/json/list"));
            let list: Vec<Value> = serde_json::from_str(&list).ok()?;
            let page = list.into_iter().find(|t| t["type"] == "page")?;
            page["webSocketDebuggerUrl"].as_str().map(str::to_owned)
        });
        let stream = TcpStream::connect(format!("127.0.0.1:{port}")).unwrap();
        let (socket, _) = tungstenite::client(url, stream).unwrap();
        let mut browser = Browser { child, socket, next: 0, events: Vec::new(), _profile: profile };
        for domain in ["Network", "Page", "Runtime", "Log"] {
            browser.call(&format!("{domain}.enable"), &json!({}));
        }
        browser
    }

    fn call(&mut self, method: &str, params: &Value) -> Value {
        self.next += 1;
        let id = self.next;
        let text = json!({"id": id, "method": method, "params": params}).to_string();
        self.socket.send(Message::text(text)).unwrap();
        loop {
            let Message::Text(text) = self.socket.read().unwrap() else { continue };
            let message: Value = serde_json::from_str(&text).unwrap();
            if message["id"] == id {
                assert!(message["error"].is_null(), "{method}: {message}");
                return message["result"].clone();
            }
            self.events.push(message);
        }
    }

    /// A screen of this size and theme with this page on it.
    fn show(&mut self, url: &str, [width, height]: [u32; 2], theme: &str) {
        let size = json!({"width": width, "height": height, "deviceScaleFactor": 2, "mobile": width < 600});
        self.call("Emulation.setDeviceMetricsOverride", &size);
        let feature = json!({"features": [{"name": "prefers-color-scheme", "value": theme}]});
        self.call("Emulation.setEmulatedMedia", &feature);
        self.call("Page.navigate", &json!({"url": url}));
    }

    fn eval(&mut self, expression: &str) -> Value {
        self.try_eval(expression).unwrap_or_else(|e| panic!("{expression}: {e}"))
    }

    fn try_eval(&mut self, expression: &str) -> Result<Value, Value> {
        let params = json!({"expression": expression, "returnByValue": true, "awaitPromise": true});
        let result = self.call("Runtime.evaluate", &params);
        let thrown = &result["exceptionDetails"];
        if thrown.is_null() { Ok(result["result"]["value"].clone()) } else { Err(thrown.clone()) }
    }

    fn text(&mut self, expression: &str) -> String {
        self.eval(expression).as_str().unwrap_or_default().to_owned()
    }

    /// Waits until an expression is true; on a page that is still loading it may throw.
    fn until(&mut self, expression: &str) {
        let what = format!("{expression} in the page");
        wait_for(&what, || (self.try_eval(expression) == Ok(true.into())).then_some(()));
    }

    /// What `innerText` of the whole page is.
    fn page_text(&mut self) -> String {
        self.text("document.body.innerText")
    }

    /// Keeps a picture of the upper part of the page when somebody wants to look at it.
    fn shot(&mut self, name: &str) {
        let Some(folder) = std::env::var_os("PAGE_SHOTS") else { return };
        std::thread::sleep(Duration::from_millis(1_500)); // lets the plan follow
        let width = self.eval("document.documentElement.clientWidth");
        let clip = json!({"x": 0, "y": 0, "width": width, "height": 1300, "scale": 0.5});
        let result =
            self.call("Page.captureScreenshot", &json!({"captureBeyondViewport": true, "clip": clip}));
        let bytes = base64_decode(result["data"].as_str().unwrap());
        std::fs::write(PathBuf::from(folder).join(name), bytes).unwrap();
    }

    /// What went wrong in the page, in its own words, and which addresses it asked.
    fn complaints_and_requests(&mut self) -> (Vec<String>, Vec<String>) {
        self.eval("1"); // brings in what is still on its way
        let events = std::mem::take(&mut self.events);
        let complains = |e: &&Value| match e["method"].as_str() {
            Some("Runtime.exceptionThrown") => true,
            Some("Runtime.consoleAPICalled") => e["params"]["type"] != "log",
            Some("Log.entryAdded") => e["params"]["entry"]["level"] != "info",
            _ => false,
        };
        let complaints = events.iter().filter(complains).map(Value::to_string).collect();
        let asked = events.iter().filter(|e| e["method"] == "Network.requestWillBeSent");
        let asked = asked.filter_map(|e| e["params"]["request"]["url"].as_str()).map(str::to_owned).collect();
        (complaints, asked)
    }
}

impl Drop for Browser {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// RFC 4648 base 64, with padding.
fn base64_decode(text: &str) -> Vec<u8> {
    let value = |c: u8| {
        let alphabet = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
        alphabet.iter().position(|a| *a == c).map(|v| v as u32)
    };
    let quads = text.as_bytes().chunks(4).map(|quad| {
        let bits = quad.iter().fold(0, |bits, c| bits << 6 | value(*c).unwrap_or(0));
        let kept = quad.iter().filter(|c| **c != b'=').count() - 1;
        bits.to_be_bytes()[1..1 + kept].to_vec()
    });
    quads.flatten().collect()
}

/// What the fed hub shows; changed by the test while it runs.
#[derive(Clone, Copy)]
struct Show {
    zone: ZoneState,
    troubled: bool,
    /// Whether anything is published at all.
    speaks: bool,
}

/// A service of the library over a hub that a thread feeds.
struct Fed {
    url: String,
    hub: Hub,
    show: Arc<Mutex<Show>>,
    shutdown: CancellationToken,
    ended: Arc<AtomicBool>,
    threads: Vec<std::thread::JoinHandle<()>>,
}

impl Fed {
    fn start() -> Fed {
        let hub = Hub::new(larkfield());
        hub.set_link(LinkView { state: Connectivity::Connected, reason: None, since: clock() });
        let show = Arc::new(Mutex::new(Show { zone: ZoneState::Inside, troubled: false, speaks: true }));
        let (shutdown, ended) = (CancellationToken::new(), Arc::new(AtomicBool::new(false)));
        let (tell, told) = std::sync::mpsc::channel();
        let (served, token) = (hub.clone(), shutdown.clone());
        let scale = hub.clone();
        let settings = ApiSettings::new(Arc::new(move || scale.utc(clock())));
        let serving = std::thread::spawn(move || {
            let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
            runtime.block_on(async {
                let listener = bind(SocketAddr::from(([127, 0, 0, 1], 0))).await.unwrap();
                tell.send(listener.local_addr().unwrap()).unwrap();
                serve(listener, served, settings, token).await.unwrap();
            });
        });
        let url = format!("http://{}", told.recv().unwrap());
        let (what, stop, fed) = (show.clone(), ended.clone(), hub.clone());
        let feeding = std::thread::spawn(move || feed(&fed, &what, &stop));
        Fed { url, hub, show, shutdown, ended, threads: vec![serving, feeding] }
    }

    fn change(&self, change: impl FnOnce(&mut Show)) {
        change(&mut self.show.lock().unwrap());
    }

    /// Sets the computer's clock to so many seconds after the session's.
    fn set_clock(&self, by_s: f64) {
        let utc_minus_session = Micros::from_secs_f64(by_s);
        let changed_at = clock().plus(utc_minus_session);
        self.hub.set_clock(ClockStatus { utc_minus_session, changed_at, synchronised: Some(true) });
    }

    fn stop(self) {
        self.shutdown.cancel();
        self.ended.store(true, SeqCst);
        self.threads.into_iter().for_each(|t| t.join().unwrap());
    }
}

/// Larkfield nursery with a long name among its anchors, and a zone name that means harm.
fn larkfield() -> HubInfo {
    let anchor = |id: u16, name: &str, at_m: [f64; 3]| Anchor {
        id: AnchorId(id),
        name: name.into(),
        at_m,
        range_sigma_m: 0.1,
        slot: None,
        correction: Correction::NONE,
    };
    let zone = |name: &str, shape| Zone { name: name.into(), shape, rule: ZoneRule::default() };
    let door = vec![[9.0, 0.0], [13.0, 0.0], [13.0, 3.5], [9.0, 3.5]];
    let beds = vec![[14.0, 8.0], [21.0, 8.0], [21.0, 12.0], [14.0, 12.0]];
    HubInfo {
        version: "0.1.0".into(),
        started_at: clock(),
        source: "sim://yard.toml".into(),
        site: SiteInfo {
            name: "Larkfield nursery".into(),
            dimension: Dimension::TwoD { tag_height_m: 0.9 },
            fence: Fence {
                area_m: vec![[0.0, 0.0], [24.0, 0.0], [24.0, 14.0], [0.0, 14.0]],
                up_span_m: None,
            },
            range_span_m: [0.01, 200.0],
            tags: Vec::new(),
            correction_limits: Default::default(),
            range_units_per_m: Some(100.0),
            others: Vec::new(),
            anchors: vec![
                anchor(0, "shed corner", [0.0, 0.0, 2.6]),
                anchor(1, "gate post", [24.0, 0.3, 2.2]),
                anchor(2, "glasshouse gable over the far propagation benches", [23.6, 13.8, 3.2]),
                anchor(3, "water tank", [0.4, 13.6, 1.8]),
                anchor(4, "door lintel", [11.0, 0.1, 3.0]),
                anchor(5, "potting bench", [6.5, 9.6, 0.6]),
            ],
            zones: vec![
                zone("roller door", ZoneShape::Polygon { outline_m: door, holes_m: Vec::new() }),
                zone(
                    "<img src=x onerror=alert(1)>",
                    ZoneShape::Polygon { outline_m: beds, holes_m: Vec::new() },
                ),
                zone("charger", ZoneShape::Near { anchor: AnchorId(0), enter_m: 1.5, leave_m: 2.5 }),
            ],
        },
    }
}

/// Ten times a second, like a kit.
fn feed(hub: &Hub, show: &Mutex<Show>, stop: &AtomicBool) {
    let mut seq = 0;
    while !stop.load(SeqCst) {
        let show = *show.lock().unwrap();
        if show.speaks {
            seq += 1;
            let at = clock();
            hub.publish(&Output::Position(position(seq, at)));
            hub.publish(&Output::Zone(zone_report(seq, 0, show.zone, ZoneWhy::Probability, at)));
            hub.publish(&Output::Zone(zone_report(seq, 1, ZoneState::Outside, ZoneWhy::Probability, at)));
            hub.publish(&Output::Zone(zone_report(seq, 2, ZoneState::Unknown, ZoneWhy::Undecided, at)));
            if seq % 5 == 1 {
                hub.publish(&Output::Anchors(table(show.troubled, at).into()));
            }
        }
        std::thread::sleep(Duration::from_millis(100));
    }
}

fn position(seq: u64, at: Timestamp) -> PositionReport {
    let turn = seq as f64 * 0.02;
    PositionReport {
        seq,
        tag: TagId(0),
        at,
        received_at: at,
        valid_until: at.plus(Micros::from_millis(500)),
        location: Location::Located(TagPlace {
            protection_radius_m: Some(0.72),
            checked: true,
            hdop: Some(0.9),
            ..TagPlace::of(
                Place {
                    position_m: [12.0 + 6.0 * turn.cos(), 6.0 + 3.0 * turn.sin(), 0.9],
                    covariance_m2: [[0.03, 0.01, 0.0], [0.01, 0.02, 0.0], [0.0; 3]],
                },
                0.38,
            )
        }),
        restarted: false,
        used: (0..5).map(AnchorId).collect(),
        rejected: Default::default(),
        no_fix: None,
    }
}

fn zone_report(seq: u64, zone: usize, state: ZoneState, why: ZoneWhy, at: Timestamp) -> ZoneReport {
    ZoneReport {
        seq,
        zone,
        tag: TagId(0),
        at,
        valid_until: at.plus(Micros::from_millis(500)),
        state,
        was: state,
        since: at,
        why,
        probability: Some(0.997),
        depth_m: Some(0.8),
        eta_s: None,
    }
}

fn table(troubled: bool, at: Timestamp) -> AnchorTable {
    let row = |id: u16| AnchorHealth {
        anchor: AnchorId(id),
        state: AnchorState::Heard,
        since: Some(at),
        last_heard: Some(at),
        last_range_m: Some(9.5),
        rate_hz: 9.8,
        share: Some(0.98),
        rejected_share: Some(0.03),
        mean_residual_m: Some(0.012),
        sigma_m: Some(0.06),
        nlos_share: Some(0.05),
        findings: Default::default(),
        place: PlaceAnswer::Unchanged { limit_m: 0.3 },
        excluded: false,
    };
    let mut table = AnchorTable { at, rows: (0..6).map(row).collect(), kit: Default::default() };
    if troubled {
        let moved = AnchorFinding::Moved {
            shift_m: [0.3, 0.3],
            up_m: None,
            size_se_m: 0.04,
            direction_se_deg: Some(6.0),
        };
        table.rows[2].findings.push(moved);
        table.rows[2].excluded = true;
        table.rows[2].place = PlaceAnswer::Contradicted;
        table.rows[4].state = AnchorState::Silent;
        table.rows[4].place = PlaceAnswer::CannotTell(CannotTell::TravelTooNarrow);
        table.kit.push(KitFinding::FramesCut { share: 0.12 });
    }
    table
}

/// The state words of the zones, in their order.
const ZONE_WORDS: &str = "[...document.querySelectorAll('#zones .word')].map(e => e.textContent).join(' ')";
/// The state words of the anchors, in their order.
const ANCHOR_WORDS: &str = "[...document.querySelectorAll('#anchors tbody tr:first-child td:nth-child(2)')].map(e => e.textContent).join(' ')";
/// What sticks out of a screen of this width on its right; nothing when the page is no wider.
fn overflow(width: u32) -> String {
    format!(
        "document.documentElement.scrollWidth <= {width} ? '' : [...document.querySelectorAll('*')]
            .filter(e => e.getBoundingClientRect().right > {width} + 0.5).map(e => e.outerHTML.slice(0, 200)).join('\\n')"
    )
}

#[test]
#[ignore = "needs chromium"]
fn the_page_is_live_on_every_screen_and_asks_nobody_else() {
    let fed = Fed::start();
    let mut browser = Browser::start();
    for (size, theme) in
        [([1100, 900], "dark"), ([320, 640], "light"), ([360, 780], "dark"), ([360, 780], "light")]
    {
        fed.change(|s| *s = Show { zone: ZoneState::Inside, troubled: false, speaks: true });
        browser.show(&fed.url, size, theme);
        browser.until(&format!("{ZONE_WORDS} === 'inside outside unknown'"));
        browser.until(&format!("{ANCHOR_WORDS} === 'heard heard heard heard heard heard'"));
        browser.until("document.getElementById('state').textContent === 'Live'");
        // A drawing of its own for every width, so that letters keep their size.
        browser.until("Math.abs(document.querySelector('#plan img').naturalWidth - document.querySelector('#plan').clientWidth) <= 1");
        assert_eq!(browser.text(&overflow(size[0])), "", "{size:?} {theme}");
        browser.shot(&format!("page-{}-{theme}-good.png", size[0]));

        let before = browser.text("document.querySelector('#plan img').src");
        fed.change(|s| *s = Show { zone: ZoneState::Outside, troubled: true, speaks: true });
        browser.until(&format!("{ZONE_WORDS} === 'outside outside unknown'"));
        browser.until("document.getElementById('said').textContent.includes('roller door: outside, tag 0')");
        browser.until(&format!("{ANCHOR_WORDS} === 'not used silent heard heard heard heard'"));
        browser.until(&format!("document.querySelector('#plan img').src !== '{before}'"));
        let text = browser.page_text();
        for told in [
            "moved 0.42 m (± 0.04) towards north-east",
            "not used: positions do without it",
            "put it back, or measure its place",
            "12 % of the frames",
            "can't tell whether it moved: the tag sees it from one side only",
            "<img src=x onerror=alert(1)>",
        ] {
            assert!(text.contains(told), "{told}: {text}");
        }
        assert_eq!(browser.text(&overflow(size[0])), "", "{size:?} {theme}");
        let dark = browser.text("getComputedStyle(document.body).backgroundColor");
        assert_eq!(dark == "rgb(20, 24, 28)", theme == "dark", "{dark}");
        browser.shot(&format!("page-{}-{theme}-bad.png", size[0]));
    }
    let (complaints, asked) = browser.complaints_and_requests();
    assert!(complaints.is_empty(), "{complaints:#?}");
    let own =
        |url: &String| [fed.url.as_str(), "blob:", "data:", "about:"].iter().any(|o| url.starts_with(o));
    assert!(asked.len() > 20 && asked.iter().all(own), "{asked:#?}");

    // The kit falls silent: nothing that was said holds any longer, and the page says so by itself.
    fed.change(|s| s.speaks = false);
    browser.until(&format!("{ZONE_WORDS} === 'unknown unknown unknown'"));
    browser.until("document.getElementById('state').textContent.startsWith('No data')");
    browser.until("document.querySelector('#tags td').textContent === 'no data'");
    assert!(browser.page_text().contains("nothing that still holds was heard"));
    // And it comes back by itself.
    fed.change(|s| s.speaks = true);
    browser.until(&format!("{ZONE_WORDS} === 'outside outside unknown'"));
    browser.until("document.getElementById('state').textContent === 'Live'");

    // The computer's clock is set, back and forward: the stamps are others, and nothing else is.
    for by_s in [-300.0, 86_400.0] {
        let stamp = "[...tags.values()][0].time";
        let before = browser.text(stamp);
        fed.set_clock(by_s);
        let order = if by_s < 0.0 { "<" } else { ">" };
        browser.until(&format!("{stamp} {order} '{before}'"));
        browser.until("document.getElementById('state').textContent === 'Live'");
        browser.until(&format!("{ZONE_WORDS} === 'outside outside unknown'"));
        browser.until(&format!("!{ANCHOR_WORDS}.includes('no data')"));
        let since = "document.querySelector('#zones tbody tr td:nth-child(4)').textContent";
        assert!(browser.text(since).ends_with(" s"), "{by_s}: {}", browser.text(since));
    }

    fed.stop();
    browser.until(&format!("{ZONE_WORDS} === 'unknown unknown unknown'"));
    browser.until(&format!("new Set({ANCHOR_WORDS}.replaceAll('no data', 'none').split(' ')).size === 1"));
    browser.until("document.getElementById('plan-note').textContent.startsWith('No data')");
    browser.shot("page-gone.png");
    assert!(browser.text("document.getElementById('state').textContent").starts_with("No data"));
    assert_eq!(browser.eval("document.querySelector('#plan').classList.contains('stale')"), true);
    assert_eq!(browser.text(&overflow(360)), "");
}

#[test]
#[ignore = "needs chromium"]
fn a_killed_daemon_leaves_no_data_behind_and_a_new_one_is_taken_up() {
    let folder = tempfile::tempdir().unwrap();
    let port = folder.path().join("port");
    let mut line = Line::new(&port);
    let site = nursery::site(folder.path(), port.to_str().unwrap());
    let text = std::fs::read_to_string(&site).unwrap();
    let zone = "\n[[zone]]\nname = \"roller door\"\npolygon_m = [[9.0, 0.0], [13.0, 0.0], [13.0, 3.5], [9.0, 3.5]]\n";
    std::fs::write(&site, text + zone).unwrap();
    let daemon = Daemon::start(&site, &["--no-log"]);
    let (stop, stopped) = std::sync::mpsc::channel::<()>();
    let feeding = std::thread::spawn(move || {
        for frame in nursery::frames(60.0).iter().cycle() {
            line.send(&frame.bytes);
            if stopped.recv_timeout(Duration::from_millis(80)).is_ok() {
                return;
            }
        }
    });
    let mut browser = Browser::start();
    browser.show(&daemon.url, [360, 780], "light");
    browser.until("document.getElementById('state').textContent === 'Live'");
    browser.until(&format!("{ANCHOR_WORDS} === 'heard heard heard heard heard heard'"));
    assert!(browser.page_text().contains("roller door"));
    browser.shot("page-daemon.png");
    let (complaints, _) = browser.complaints_and_requests();
    assert!(complaints.is_empty(), "{complaints:#?}");

    daemon.signal(Signal::KILL);
    let url = daemon.url.clone();
    let _ = daemon.wait();
    browser.until("document.getElementById('state').textContent.startsWith('No data')");
    browser.until(&format!("{ANCHOR_WORDS} === 'no data no data no data no data no data no data'"));
    browser.until(&format!("{ZONE_WORDS} === 'unknown'"));
    browser.until("document.getElementById('plan-note').textContent.startsWith('No data')");

    let again = Daemon::start_at(&site, url.trim_start_matches("http://"), &["--no-log"]);
    browser.until("document.getElementById('state').textContent === 'Live'");
    browser.until(&format!("!{ANCHOR_WORDS}.includes('no data')"));
    stop.send(()).unwrap();
    feeding.join().unwrap();
    again.stop();
}
