//! The routes, and their description for OpenAPI: one place for both, so that neither forgets one.

use std::{collections::BTreeMap, fmt::Display, sync::Arc};

use axum::{
    Extension, Router,
    body::Bytes,
    extract::{
        FromRequestParts, Path, State,
        rejection::PathRejection,
        ws::{WebSocketUpgrade, rejection::WebSocketUpgradeRejection},
    },
    http::{HeaderMap, HeaderValue, Method, StatusCode, Uri, header, request::Parts},
    middleware,
    response::{IntoResponse, Response},
};
use hereabout_core::{Micros, TagId};
use hereabout_words::kit;
use hereabout_words::time::rfc3339;
use serde::Serialize;
use tokio::sync::oneshot;
use tokio_util::{sync::CancellationToken, task::TaskTracker};
use utoipa::{
    OpenApi,
    openapi::{ContentBuilder, InfoBuilder, PathItem, Ref, RefOr, ResponseBuilder},
};
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    current::Current,
    description::{describe_rights, operations},
    guard::guard,
    health::Diagnosis,
    hub::{Hub, Moment},
    live::{self, serve_reader},
    metrics::metrics_text,
    page::{IndexFormat, page, policy},
    plan::{Plan, PlanLook},
    query::{EventsQuery, NoQuery, Nonce, OfTag},
    reader::Wants,
    readiness::not_ready,
    rights::{MayChange, Refusal, Way},
    seats::Seat,
    settings::{ApiSettings, NotDone, Operation, Work},
    sse::{self, Cut},
    subscription::Subscription,
    table::anchors_text,
    v1::{
        AliveBody, AnchorDetailBody, AnchorsBody, CalibrationsBody, ClockBody, DecoderBody, EventsBody,
        EventsKeptIn, IndexBody, KitFindingBody, LiveBody, LogBody, MendedBody, MinuteBody, MissedBody,
        NoLongerKeptBody, NonceBody, NotToldBody, NumbersAnewBody, OutputsBody, PongBody, PositionBody,
        Problem, RangesBody, RouteBody, Sending, SiteBody, SpanBody, StatusBody, TagsBody, Tail,
        ZoneAnswerBody, ZoneReportBody, ZonesBody, json, with_nonce,
    },
};

/// What the routes work with.
#[derive(Clone)]
pub(crate) struct App {
    pub(crate) hub: Hub,
    pub(crate) settings: Arc<ApiSettings>,
    pub(crate) shutdown: CancellationToken,
    pub(crate) tracker: TaskTracker,
}

impl App {
    /// All that the hub keeps, at the present.
    fn moment(&self) -> Moment {
        self.hub.moment(&*self.settings.now)
    }

    /// The same present, for what leaves now.
    fn sending(&self, moment: &Moment) -> Sending {
        Sending { now: moment.clock, since_start: (self.settings.since_start)() }
    }

    /// Has the operator do it; only who may change gets here. The outcome, or why it never began.
    async fn operate(&self, may_change: MayChange, work: Work) -> Result<Result<(), NotDone>, Refusal> {
        let operator = self.settings.operator.clone().ok_or_else(Problem::no_operator)?;
        may_change.begin()?;
        let (answer, answered) = oneshot::channel();
        let operation = Operation { work, answer };
        operator.send(operation).await.map_err(|_| Problem::no_operator())?;
        Ok(answered.await.map_err(|_| Problem::no_operator())?)
    }

    /// Why no positions are to be expected just now; `None` when they are.
    fn not_ready(&self, moment: &Moment) -> Option<String> {
        let grace = i64::try_from(self.settings.link_grace.as_micros()).unwrap_or(i64::MAX);
        not_ready(&moment.current(), &self.hub.info().source, Micros::from_micros(grace))
    }
}

impl FromRequestParts<App> for MayChange {
    type Rejection = Refusal;

    async fn from_request_parts(parts: &mut Parts, app: &App) -> Result<MayChange, Refusal> {
        let way = parts.extensions.get().copied().unwrap_or(Way::Loopback);
        app.settings.rights.clone().may_change(way, &parts.headers).await
    }
}

/// Readers of the live messages over the socket, beyond those of loopback.
const READERS_OF_THE_SOCKET: usize = 32;

/// What a nonce is for, in the description of the routes that take one.
const NONCE: &str = "1 to 128 of a to z, A to Z, 0 to 9, '.', '_', '~', '-': comes back in the answer, which is so \
                     known to be one to this question";

/// What this service must not be used for.
pub(crate) const CAUTIONS: [&str; 5] = [
    "Not a safety component: it has no performance level under ISO 13849 and no integrity level under IEC 61508. \
     Force limits, edges, light curtains and the emergency stop stay independent and overrule it.",
    "Silence, unknown, coasting beyond valid_until, or too large a covariance mean no position: never open or move \
     on it.",
    "A range is not a proof of presence: relay and distance-reduction attacks exist. Do not use it as the only key.",
    "UWB radios are under local radio rules, and fixed outdoor use is often restricted: ask first. A person's tag \
     makes personal data.",
    "Local codes and licensed trades come first.",
];

/// What this program must not be used for, for whoever shows it.
pub fn cautions() -> &'static [&'static str] {
    &CAUTIONS
}

#[derive(OpenApi)]
#[openapi(components(schemas(
    Problem,
    RangesBody,
    MissedBody,
    PongBody,
    NonceBody,
    ZoneReportBody,
    NoLongerKeptBody,
    NumbersAnewBody
)))]
struct Description;

fn described() -> OpenApiRouter<App> {
    OpenApiRouter::with_openapi(Description::openapi())
        .routes(routes!(index))
        .routes(routes!(site))
        .routes(routes!(tags))
        .routes(routes!(tag))
        .routes(routes!(anchors))
        .routes(routes!(anchor))
        .routes(routes!(anchors_txt))
        .routes(routes!(plan_svg))
        .routes(routes!(zones))
        .routes(routes!(zone))
        .routes(routes!(events))
        .routes(routes!(live))
        .routes(routes!(live_sse))
        .routes(routes!(calibrations))
        .routes(routes!(mended))
        .routes(routes!(status))
        .routes(routes!(livez))
        .routes(routes!(readyz))
        .routes(routes!(metrics))
        .routes(routes!(openapi))
}

/// All routes behind the guard.
pub(crate) fn router(app: App) -> Router {
    let (router, _) = described().split_for_parts();
    router
        .fallback(|uri: Uri| async move { Problem::unknown_path(uri.path()) })
        .method_not_allowed_fallback(
            |method: Method| async move { Problem::method_not_allowed(method.as_str()) },
        )
        .layer(middleware::from_fn(guard))
        .with_state(app)
}

/// The OpenAPI 3.1 description, as `/openapi.json` serves it.
pub fn openapi_json() -> String {
    let mut api = described().into_openapi();
    api.info = InfoBuilder::new()
        .title("hereabout")
        .version("1.0.0")
        .description(Some(format!(
            "Where the tags of a small ultra-wideband kit are, how sure that is, and how well every anchor is \
             doing.\n\nEvery error is RFC 9457 problem+json. Unknown is null, never 0. Request bodies \
             are passed over where none is asked for, and Accept everywhere.\n\nCautions:\n{}",
            CAUTIONS.map(|c| format!("- {c}\n")).concat()
        )))
        .build();
    let problem = ContentBuilder::new().schema(Some(Ref::from_schema_name("Problem"))).build();
    describe_rights(&mut api);
    for operation in api.paths.paths.values_mut().flat_map(operations) {
        let gives = operation.summary.clone().unwrap_or_default();
        for response in operation.responses.responses.values_mut() {
            if let RefOr::T(response) = response
                && response.description.is_empty()
            {
                response.description.clone_from(&gives); // OpenAPI 3.1 wants one
            }
        }
        let any_error = ResponseBuilder::new()
            .description("Any error, with what to do")
            .content("application/problem+json", problem.clone());
        operation.responses.responses.insert("default".to_owned(), RefOr::T(any_error.build()));
    }
    api.to_pretty_json().unwrap_or_else(|_| "null".to_owned())
}

/// For browsers a page that shows plan, anchors and zones live; for programs this list and the cautions.
///
/// HTML when `Accept` has `text/html`, else JSON; `format=` decides against that.
#[utoipa::path(get, path = "/",
    params(("format" = Option<String>, Query, description = "html or json")),
    responses((status = OK, content((IndexBody = "application/json"), (String = "text/html")))))]
async fn index(State(app): State<App>, format: IndexFormat) -> Response {
    let described = described().into_openapi().paths.paths;
    let gives = |item: PathItem| item.get.or(item.post).and_then(|o| o.summary).unwrap_or_default();
    let routes: BTreeMap<_, _> = described.into_iter().map(|(path, item)| (path, gives(item))).collect();
    let index = IndexBody {
        name: "hereabout",
        version: app.hub.info().version.clone(),
        routes: routes.into_iter().map(|(path, gives)| RouteBody { path, gives }).collect(),
        cautions: CAUTIONS.to_vec(),
    };
    let mut response = match format {
        IndexFormat::Json => body(&index),
        IndexFormat::Html => typed("text/html; charset=utf-8", page(&app.hub.site().name, &index)),
    };
    let headers = response.headers_mut();
    headers.insert(header::VARY, HeaderValue::from_static("accept"));
    if format == IndexFormat::Html {
        headers.insert(header::CONTENT_SECURITY_POLICY, policy());
    }
    response
}

/// The site: frame of reference in words and numbers, anchors, zones.
#[utoipa::path(get, path = "/v1/site", responses((status = OK, body = SiteBody)))]
async fn site(State(app): State<App>, _: NoQuery) -> Response {
    body(&SiteBody::from(&*app.hub.site()))
}

/// The latest position message of every tag, as it counts now.
///
/// What has run out is `lost`, with the code `expired`.
#[utoipa::path(get, path = "/v1/tags", params(("nonce" = Option<String>, Query, description = NONCE)),
    responses((status = OK, body = TagsBody)))]
async fn tags(State(app): State<App>, Nonce(nonce): Nonce) -> Response {
    let moment = app.moment();
    let (current, sending) = (moment.current(), app.sending(&moment));
    let texts = moment.now.tags.keys().filter_map(|tag| position_text(&current, *tag, sending));
    let texts: Vec<String> = texts.collect();
    json_text(with_nonce(format!("{{\"tags\":[{}]}}", texts.join(",")), nonce.as_deref()))
}

/// The latest position message of one tag, as it counts now.
///
/// What has run out is `lost`, with the code `expired`.
#[utoipa::path(get, path = "/v1/tags/{tag}",
    params(("tag" = u32, Path, description = "The tag's id"),
        ("nonce" = Option<String>, Query, description = NONCE)),
    responses((status = OK, body = PositionBody)))]
async fn tag(
    State(app): State<App>,
    path: Result<Path<String>, PathRejection>,
    Nonce(nonce): Nonce,
) -> Result<Response, Problem> {
    let id = path_text(path)?;
    let moment = app.moment();
    let sending = app.sending(&moment);
    let text = id.parse().ok().and_then(|n| position_text(&moment.current(), TagId(n), sending));
    let text = text.ok_or_else(|| Problem::unknown_tag(&id, &list(moment.now.tags.keys())))?;
    Ok(json_text(with_nonce(text, nonce.as_deref())))
}

fn position_text(current: &Current<'_>, tag: TagId, sending: Sending) -> Option<String> {
    let (text, position) = current.position_text(tag)?;
    let tail = Tail::Holds { at: Some(position.report.at), until: position.report.valid_until };
    Some(tail.put(&text, sending))
}

/// Health of every anchor, as it counts now.
///
/// An anchor that is not said to be silent, but must be, is silent; figures that are too old are null.
#[utoipa::path(get, path = "/v1/anchors", responses((status = OK, body = AnchorsBody)))]
async fn anchors(State(app): State<App>, _: NoQuery) -> Response {
    let moment = app.moment();
    let current = moment.current();
    body(&AnchorsBody {
        time: moment.now.anchors.as_ref().map(|t| rfc3339(t.at)),
        kit: moment.now.kit().map(|k| KitFindingBody::new(k, (&*moment.site).into())).collect(),
        not_told_yet: current.places().not_told.map(|n| NotToldBody { words: n.words, advice: n.advice }),
        anchors: moment.site.anchors.iter().map(|a| current.anchor_body(a)).collect(),
    })
}

/// Health of one anchor, with the minutes of its last hour.
#[utoipa::path(get, path = "/v1/anchors/{id}", params(("id" = u16, Path, description = "The anchor's id")),
    responses((status = OK, body = AnchorDetailBody)))]
async fn anchor(
    State(app): State<App>,
    path: Result<Path<String>, PathRejection>,
    _: NoQuery,
) -> Result<Response, Problem> {
    let id = path_text(path)?;
    let moment = app.moment();
    let anchors = &moment.site.anchors;
    let found = id.parse().ok().and_then(|n: u16| anchors.iter().find(|a| a.id.0 == n));
    let found = found.ok_or_else(|| Problem::unknown_anchor(&id, &list(anchors.iter().map(|a| a.id))))?;
    let minutes = app.hub.minutes(found.id, moment.clock);
    Ok(body(&AnchorDetailBody {
        anchor: moment.current().anchor_body(found),
        minutes: minutes.iter().map(MinuteBody::from).collect(),
    }))
}

/// Health of every anchor for people: a table, worst first, with advice.
#[utoipa::path(get, path = "/v1/anchors.txt", responses((status = OK, body = String, content_type = "text/plain")))]
async fn anchors_txt(State(app): State<App>, _: NoQuery) -> Response {
    let text = anchors_text(&app.moment().current(), &app.hub.info().source);
    typed("text/plain; charset=utf-8", text)
}

/// Every zone: inside, outside or unknown, over all tags.
#[utoipa::path(get, path = "/v1/zones",
    params(("tag" = Option<u32>, Query, description = "What this tag alone is to the zones"),
        ("nonce" = Option<String>, Query, description = NONCE)),
    responses((status = OK, body = ZonesBody)))]
async fn zones(State(app): State<App>, OfTag { tag, nonce }: OfTag) -> Response {
    let moment = app.moment();
    let zones = moment.current().zone_answers(tag, Some(app.sending(&moment)));
    body(&ZonesBody { time: rfc3339(moment.clock), zones, nonce })
}

/// One zone: inside, outside or unknown, over all tags.
///
/// After `valid_until` without a newer message it is unknown, here as everywhere: a stopped engine leaves no
/// stale "inside".
#[utoipa::path(get, path = "/v1/zones/{name}",
    params(("name" = String, Path, description = "The zone's name, percent-encoded"),
        ("tag" = Option<u32>, Query, description = "What this tag alone is to the zone"),
        ("nonce" = Option<String>, Query, description = NONCE)),
    responses((status = OK, body = ZoneAnswerBody)))]
async fn zone(
    State(app): State<App>,
    path: Result<Path<String>, PathRejection>,
    OfTag { tag, nonce }: OfTag,
) -> Result<Response, Problem> {
    let name = path_text(path)?;
    let moment = app.moment();
    let site = &moment.site;
    let index = site.zones.iter().position(|z| z.name == name);
    let index =
        index.ok_or_else(|| Problem::unknown_zone(&name, &list(site.zones.iter().map(|z| &z.name))))?;
    let answer = moment.current().zone_answer(index, tag, Some(app.sending(&moment)));
    Ok(body(&ZoneAnswerBody { nonce, ..answer }))
}

/// What happened, by number.
///
/// Events are told when they happen, and no number ever means two of them, over kills and with another log, too. Numbers
/// grow by one while the daemon runs, and by more over a start, whose event says how the run before ended. Without `after`
/// the newest events are given, with it those that follow. Some thousand are kept here; `no_longer_kept` says which
/// of those asked for are not. Who asks for what comes after a number that was never given (the clock was set back) gets
/// all there are, and `numbers_anew`.
#[utoipa::path(get, path = "/v1/events",
    params(
        ("after" = Option<u64>, Query, description = "The number of the last event that is known already; 0 for all"),
        ("limit" = Option<usize>, Query, description = "At most so many events, 1 to 1000; without: 100"),
    ),
    responses((status = OK, body = EventsBody)))]
async fn events(State(app): State<App>, query: EventsQuery) -> Response {
    let (page, kept_in) = app.hub.events_page(query.after, query.limit);
    let texts: Vec<&str> = page.events.iter().map(|e| &*e.text).collect();
    let since = (kept_in == EventsKeptIn::Memory).then(|| rfc3339(app.hub.info().started_at));
    let mut text = format!(
        "{{\"events\":[{}],\"next_after\":{},\"oldest\":{},\"newest\":{},\"kept_in\":{},\"kept_since\":{}",
        texts.join(","),
        page.next_after,
        json(&page.oldest),
        json(&page.newest),
        json(&kept_in),
        json(&since)
    );
    if let Some((from, to)) = page.no_longer_kept {
        text += &format!(",\"no_longer_kept\":{}", json(&SpanBody { from, to }));
    }
    if page.anew.is_some() {
        text += &format!(",\"numbers_anew\":{}", json(&page.newest.unwrap_or(0)));
    }
    json_text(text + "}")
}

/// The messages of `/v1/live` as Server-Sent Events.
///
/// As the WHATWG HTML Living Standard has them (section "Server-sent events"), for `EventSource` and for anything that
/// reads lines. `data:` is one message; events have their number as `id:`. The header `Last-Event-ID` is the same as
/// `after` and wins over it. A comment line comes every 5 s when nothing else does; who takes nothing for 10 s is cut
/// off.
#[utoipa::path(get, path = "/v1/live.sse",
    params(
        ("topics" = Option<String>, Query, description = "As of /v1/live"),
        ("tag" = Option<u32>, Query, description = "As of /v1/live"),
        ("zone" = Option<String>, Query, description = "As of /v1/live"),
        ("max_rate_hz" = Option<f64>, Query, description = "As of /v1/live"),
        ("after" = Option<u64>, Query, description = "As of /v1/live"),
        ("nonce" = Option<String>, Query, description = "As of /v1/live"),
        ("Last-Event-ID" = Option<u64>, Header, description = "The number of the last event that is known already"),
    ),
    responses((status = OK, body = String, content_type = "text/event-stream")))]
async fn live_sse(
    State(app): State<App>,
    cut: Option<Extension<Cut>>,
    way: Option<Extension<Way>>,
    headers: HeaderMap,
    wants: Wants,
) -> Result<Response, Problem> {
    let mut wants = wants;
    if let Some(last) = sse::last_event_id(&headers)? {
        wants.after = Some(last);
    }
    let reader = subscribe(&app, way, wants)?;
    let cut = cut.map(|Extension(cut)| cut);
    Ok(sse::response(reader, app.settings.clone(), app.shutdown.clone(), cut))
}

/// A place among the readers, or why there is none.
fn subscribe(app: &App, way: Option<Extension<Way>>, wants: Wants) -> Result<Subscription, Problem> {
    let site = app.hub.site();
    if let Some(name) = wants.zone_name.as_ref().filter(|name| !site.zones.iter().any(|z| z.name == **name)) {
        return Err(Problem::unknown_zone(name, &list(site.zones.iter().map(|z| &z.name))));
    }
    // Whoever may use the socket finds a place there, however many others read over loopback.
    let own = if way.is_some_and(|Extension(way)| way == Way::Socket) { READERS_OF_THE_SOCKET } else { 0 };
    let limit = app.settings.max_readers + own;
    let reader = app.hub.subscribe(wants, &*app.settings.now, app.settings.backlog, limit);
    reader.ok_or_else(|| Problem::too_many_readers(limit))
}

/// Picture of the site as it is now: anchors, zones and tags with their state, ellipses, trails.
///
/// East is right, north is up. What is not known is drawn as not known. Nothing is fetched by it.
#[utoipa::path(get, path = "/v1/plan.svg",
    params(
        ("theme" = Option<String>, Query, description = "light or dark; without: as the viewer prefers"),
        ("width" = Option<f64>, Query,
            description = "Width in its own units, 280 to 2000, for letters of 12; without: 640"),
        ("notes" = Option<String>, Query, description = "no leaves out the states in words below the plan"),
    ),
    responses((status = OK, body = String, content_type = "image/svg+xml")))]
async fn plan_svg(State(app): State<App>, look: PlanLook) -> Response {
    let moment = app.moment();
    let tags = app.hub.tags_with_trails(moment.clock);
    let plan = Plan::of(moment.current(), &tags);
    let mut response = typed("image/svg+xml; charset=utf-8", plan.to_svg(look));
    // Opened by itself it is a document: one without scripts, frames or requests.
    let policy = HeaderValue::from_static("default-src 'none'; style-src 'unsafe-inline'");
    response.headers_mut().insert(header::CONTENT_SECURITY_POLICY, policy);
    response
}

/// WebSocket: a snapshot, then changes.
///
/// Every message is one JSON text: a position, anchor, link, zone, event or range body, told apart by `type`. A reader
/// who is too slow gets the newest of each and, before it, `{"type":"missed","count":n}`. Anchors are sent
/// when their state changes. Events are never left out for a slow reader, nor chosen by `tag` or `zone`: their numbers
/// have no gap. When those that a reader is to get next are gone, `{"type":"no_longer_kept","from":n,"to":m}` says so;
/// when `after` is ahead of the newest number, `{"type":"numbers_anew","after":n,"newest":m}` comes, and then all there
/// are. A ping comes every 5 s; who answers nothing for 10 s is closed with 1008; a
/// message from the client above 4096 bytes with 1009; a daemon that stops closes with 1001.
///
/// A reader who is behind notices. Positions and zones carry `valid_for_s`, to be counted from their arrival, and
/// `sender_s`, the daemon's steady time. A text `{"ping":"…"}` of at most 128 characters is answered with
/// `{"type":"pong","ping":"…","sender_s":…}` after everything that waited for the reader before it, but for what
/// `max_rate_hz` holds back. At most 8 pings wait; others get no answer and are counted in `/v1/status`. What is no ping
/// is told once; other texts mean nothing.
#[utoipa::path(get, path = "/v1/live",
    params(
        ("topics" = Option<String>, Query,
            description = "One or more of position, position_delayed, range, anchor, link, zone, event, with commas; \
                           without: all but range"),
        ("tag" = Option<u32>, Query, description = "Positions, ranges and zones of this tag only"),
        ("zone" = Option<String>, Query, description = "Messages of the zone of this name only"),
        ("max_rate_hz" = Option<f64>, Query,
            description = "At most so many positions, ranges, and messages of a zone, of each tag a second: the \
                           newest; 0.01 to 1000. A zone's change of state is never held back"),
        ("after" = Option<u64>, Query,
            description = "The events after this number come first, and then on without gap or double; without: \
                           events from now on"),
        ("nonce" = Option<String>, Query,
            description = "1 to 128 of a to z, A to Z, 0 to 9, '.', '_', '~', '-': comes back as the first message, \
                           `{\"type\":\"nonce\",\"nonce\":\"…\",\"sender_s\":…}`"),
    ),
    responses((status = SWITCHING_PROTOCOLS, description = "The WebSocket (RFC 6455)")))]
async fn live(
    State(app): State<App>,
    wants: Wants,
    seat: Option<Extension<Seat>>,
    way: Option<Extension<Way>>,
    upgrade: Result<WebSocketUpgrade, WebSocketUpgradeRejection>,
) -> Result<Response, Problem> {
    let upgrade = upgrade.map_err(|_| Problem::websocket_wanted())?;
    let reader = subscribe(&app, way, wants)?;
    let open = app.tracker.token(); // the shutdown waits for it
    let busy = seat.map(|Extension(seat)| seat.busy());
    Ok(upgrade
        .read_buffer_size(4096)
        .write_buffer_size(0)
        .max_message_size(live::MAX_MESSAGE)
        .max_frame_size(live::MAX_MESSAGE)
        .on_upgrade(async move |socket| {
            serve_reader(socket, reader, app.settings, app.shutdown).await;
            drop((open, busy));
        }))
}

/// New offsets for boards of the site: written beside the site file and in force at once.
///
/// Boards that are not named keep what they have. No frame is lost; a new session begins in the log, with the
/// calibration that it runs with. Tracks are computed anew from the last ranges, zones start as unknown. Three changes may
/// follow one another at once, then one every 10 s.
#[utoipa::path(post, path = "/v1/calibrations", request_body = CalibrationsBody,
    responses((status = OK, body = CalibrationsBody, description = "What is in force now, of all boards")))]
async fn calibrations(
    may_change: MayChange,
    State(app): State<App>,
    _: NoQuery,
    headers: HeaderMap,
    bytes: Bytes,
) -> Result<Response, Refusal> {
    let kind = headers.get(header::CONTENT_TYPE).and_then(|v| v.to_str().ok()).unwrap_or("");
    if !kind.split(';').next().unwrap_or("").trim().eq_ignore_ascii_case("application/json") {
        return Err(Problem::unsupported_media_type(kind).into());
    }
    let asked: CalibrationsBody = serde_json::from_slice(&bytes)
        .map_err(|e| Problem::bad_calibration(&format!("It cannot be read: {e}.")))?;
    let site = app.hub.site();
    let corrections = asked.corrections(&site).map_err(|e| Problem::bad_calibration(&e))?;
    match app.operate(may_change, Work::Calibrate(corrections)).await? {
        Ok(()) => Ok(body(&CalibrationsBody::from(&*app.hub.site()))),
        Err(NotDone::Failed(why)) => Err(Problem::calibration_not_kept(&why).into()),
        Err(NotDone::Conflict(why)) => Err(Problem::calibration_conflict(&why).into()),
    }
}

/// Says that an anchor was mended: put back, exchanged, its plug seen to.
///
/// What is held against it is forgotten (its place, its offset, its drift, late and weak ranges, its silences), and its
/// evidence begins anew. No frame is lost; a new session begins in the log. The other anchors are judged by what the last
/// three minutes gave, tracks are computed anew from these, zones start as unknown. The pace is that of all changes.
#[utoipa::path(post, path = "/v1/anchors/{id}/mended", params(("id" = u16, Path, description = "The anchor's id")),
    responses((status = OK, body = MendedBody)))]
async fn mended(
    may_change: MayChange,
    State(app): State<App>,
    path: Result<Path<String>, PathRejection>,
    _: NoQuery,
) -> Result<Response, Refusal> {
    let id = path_text(path)?;
    let site = app.hub.site();
    let found = id.parse().ok().and_then(|n: u16| site.anchors.iter().find(|a| a.id.0 == n));
    let found =
        found.ok_or_else(|| Problem::unknown_anchor(&id, &list(site.anchors.iter().map(|a| a.id))))?;
    match app.operate(may_change, Work::Mended(found.id)).await? {
        Ok(()) => Ok(body(&MendedBody {
            anchor: found.id.0,
            words: "forgotten what was held against it; its evidence begins anew: drive the tag around",
        })),
        Err(NotDone::Failed(why) | NotDone::Conflict(why)) => Err(Problem::not_mended(&why).into()),
    }
}

/// The daemon: link, counters, log, and what needs a person.
#[utoipa::path(get, path = "/v1/status", responses((status = OK, body = StatusBody)))]
async fn status(State(app): State<App>, _: NoQuery) -> Response {
    body(&status_body(&app))
}

/// 200 as long as the daemon answers.
#[utoipa::path(get, path = "/livez", responses((status = OK, body = AliveBody)))]
async fn livez(_: NoQuery) -> Response {
    body(&AliveBody { status: "alive" })
}

/// 200 when positions can be expected.
///
/// That is when the link to the kit was connected at least once, the engine has put something out and its time goes on,
/// and when, for the last 5 s, the link was not waiting all the time, good frames came, and not all of them were too
/// old, repeated or frozen; and as long as nothing speaks against the site as a whole. Else 503 with the reason. A single tag that is lost changes nothing.
#[utoipa::path(get, path = "/readyz",
    responses((status = OK, body = AliveBody), (status = SERVICE_UNAVAILABLE, body = Problem,
        content_type = "application/problem+json")))]
async fn readyz(State(app): State<App>, _: NoQuery) -> Result<Response, Problem> {
    match app.not_ready(&app.moment()) {
        Some(reason) => Err(Problem::not_ready(reason)),
        None => Ok(body(&AliveBody { status: "ready" })),
    }
}

/// OpenMetrics text.
#[utoipa::path(get, path = "/metrics",
    responses((status = OK, body = String, content_type = "application/openmetrics-text")))]
async fn metrics(State(app): State<App>, _: NoQuery) -> Response {
    let text = metrics_text(app.hub.info().clone(), app.moment(), app.hub.newest_event());
    typed("application/openmetrics-text; version=1.0.0; charset=utf-8", text)
}

/// This description.
#[utoipa::path(get, path = "/openapi.json", responses((status = OK, body = serde_json::Value)))]
async fn openapi(_: NoQuery) -> Response {
    json_text(openapi_json())
}

fn status_body(app: &App) -> StatusBody {
    let (info, moment) = (app.hub.info(), app.moment());
    let now = &moment.now;
    StatusBody {
        version: info.version.clone(),
        site: info.site.name.clone(),
        started_at: rfc3339(info.started_at.plus(now.clock.utc_minus_session)),
        now: rfc3339(moment.clock),
        uptime_s: app.sending(&moment).sender_s(),
        clock: ClockBody {
            synchronised: now.clock.synchronised,
            utc_minus_session_s: now.clock.utc_minus_session.secs_f64(),
            changed_at: now.clock.changed_at.map(rfc3339),
        },
        link: app.hub.link_body(&now.link),
        decoder: now.decoder.map(|d| DecoderBody {
            bytes: d.bytes,
            frames: d.frames,
            bad_checksum: d.bad_checksum,
            skipped_bytes: d.skipped_bytes,
        }),
        outputs: OutputsBody {
            positions: now.counts.positions.iter().sum(),
            epochs: now.counts.epochs,
            out_of_order: now.counts.out_of_order,
            too_many_tags: now.counts.too_many_tags,
            tags: now.tags.len(),
        },
        log: now.log.clone().map(|l| LogBody {
            rows_written: l.rows_written,
            rows_waiting: l.rows_waiting,
            rows_dropped: l.rows_dropped(),
            frames_dropped: l.frames_dropped,
            positions_dropped: l.positions_dropped,
            events_dropped: l.events_dropped,
            path: l.path,
            problem: l.problem,
        }),
        live: LiveBody {
            subscribers: now.subscribers,
            missed: now.counts.missed,
            pings_unanswered: now.counts.pings_unanswered,
        },
        changes: app.settings.rights.body(),
        problems: problems(app, &moment),
    }
}

/// What needs a person, in words.
fn problems(app: &App, moment: &Moment) -> Vec<String> {
    let (now, current) = (&moment.now, moment.current());
    let mut found: Vec<String> = app.not_ready(moment).into_iter().collect();
    found.extend(now.notice.clone());
    found.extend(app.settings.rights.problems().iter().cloned());
    found.extend(now.adapter_note.clone());
    if now.clock.synchronised == Some(false) {
        found.push(
            "the clock of this computer is not synchronised: set up time synchronisation; stamps and logs may be off, \
             answers are not"
                .to_owned(),
        );
    }
    // A site in doubt is why the daemon is not ready, which has been said then.
    let kit = now.kit().map(|finding| kit::found(finding, (&*moment.site).into()));
    let kit: Vec<_> = kit.filter(|said| !found.iter().any(|f| f.contains(&said.words))).collect();
    found.extend(kit.iter().map(|said| format!("kit: {}: {}", said.words, said.advice)));
    // Without a link or a tag every anchor is silent: that is one problem, not one per anchor.
    let around = current.around();
    let anchors = moment.site.anchors.iter().filter(|_| around.nothing_is_heard().is_none());
    found.extend(anchors.filter_map(|anchor| {
        let now = current.anchor(anchor);
        let diagnosis = Diagnosis::of(anchor.id, now.as_ref().map(|n| &n.health), around);
        let said = diagnosis.said().next()?;
        Some(format!("anchor {} ({}): {}: {}", anchor.id, anchor.name, said.words, said.advice))
    }));
    if let Some(log) = &now.log {
        found.extend(log.problem.iter().map(|p| format!("log {}: {p}", log.path)));
        if log.rows_dropped() > 0 {
            found.push(format!(
                "log {}: lost since the start: {} frames, {} positions, {} events; the disk did not take them in time",
                log.path, log.frames_dropped, log.positions_dropped, log.events_dropped
            ));
        }
    }
    let counts = &now.counts;
    if counts.too_many_tags > 0 {
        found.push(format!(
            "frames of further tags left out: {}; {} tags are tracked already: switch some off, or list in the site file those to \
             track",
            counts.too_many_tags,
            hereabout_core::MAX_TAGS
        ));
    }
    found
}

fn path_text(path: Result<Path<String>, PathRejection>) -> Result<String, Problem> {
    path.map(|Path(text)| text).map_err(|_| Problem::bad_request("The path is not UTF-8.".to_owned()))
}

fn list(ids: impl Iterator<Item = impl Display>) -> String {
    let ids: Vec<String> = ids.map(|id| id.to_string()).collect();
    if ids.is_empty() { "none".to_owned() } else { ids.join(", ") }
}

fn body(body: &impl Serialize) -> Response {
    json_text(json(body))
}

fn json_text(text: String) -> Response {
    typed("application/json", text)
}

fn typed(content_type: &'static str, text: String) -> Response {
    (StatusCode::OK, [(header::CONTENT_TYPE, HeaderValue::from_static(content_type))], text).into_response()
}
