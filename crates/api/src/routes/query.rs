//! Query strings, strictly: an unknown key, a key twice or a value that makes no sense is an error
//! that names what is known. A misspelt `tags=3` that silently gave all tags would be worse.

use std::time::Duration;

use axum::{extract::FromRequestParts, extract::Query, http::Uri, http::request::Parts};
use hereabout_core::TagId;

use crate::{
    http::problem::shorten, plan::PlanLook, plan::Theme, routes::page::IndexFormat,
    stream::filter::SubscriptionFilter, v1::Problem,
};

/// Most events of one answer of `/v1/events`.
const MAX_EVENTS_PER_ANSWER: usize = 1000;
/// Longest nonce, characters.
const MAX_NONCE_CHARS: usize = 128;

/// What a nonce is for, in the description of the routes that take one.
pub(super) const NONCE: &str = "1 to 128 of a to z, A to Z, 0 to 9, '.', '_', '~', '-': comes back in the answer, which is so \
                     known to be one to this question";

/// Extractor of routes that take no query.
pub(crate) struct NoQuery;

impl<S: Send + Sync> FromRequestParts<S> for NoQuery {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, _: &S) -> Result<NoQuery, Problem> {
        pairs(&parts.uri, &[]).map(|_| NoQuery)
    }
}

impl<S: Send + Sync> FromRequestParts<S> for SubscriptionFilter {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, _: &S) -> Result<SubscriptionFilter, Problem> {
        subscription_filter(&parts.uri)
    }
}

/// The query of the tags' routes.
pub(crate) struct Nonce(pub(crate) Option<String>);

impl<S: Send + Sync> FromRequestParts<S> for Nonce {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, _: &S) -> Result<Nonce, Problem> {
        let pairs = pairs(&parts.uri, &["nonce"])?;
        Ok(Nonce(pairs.into_iter().next().map(|(_, value)| nonce(value)).transpose()?))
    }
}

/// The query of the zones' routes.
#[derive(Default)]
pub(crate) struct OfTag {
    pub(crate) tag: Option<TagId>,
    pub(crate) nonce: Option<String>,
}

impl<S: Send + Sync> FromRequestParts<S> for OfTag {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, _: &S) -> Result<OfTag, Problem> {
        let mut query = OfTag::default();
        for (key, value) in pairs(&parts.uri, &["tag", "nonce"])? {
            match key.as_str() {
                "tag" => query.tag = Some(tag(&value)?),
                _ => query.nonce = Some(nonce(value)?),
            }
        }
        Ok(query)
    }
}

/// What an asker filter to see again: the unreserved characters of RFC 3986, section 2.3.
fn nonce(value: String) -> Result<String, Problem> {
    let plain = |c: char| c.is_ascii_alphanumeric() || matches!(c, '-' | '.' | '_' | '~');
    if (1..=MAX_NONCE_CHARS).contains(&value.len()) && value.chars().all(plain) {
        return Ok(value);
    }
    Err(Problem::bad_query(format!(
        "nonce '{}' is not 1 to {MAX_NONCE_CHARS} letters (a to z), digits, '.', '_', '~' or '-'.",
        shorten(&value)
    )))
}

impl<S: Send + Sync> FromRequestParts<S> for IndexFormat {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, _: &S) -> Result<IndexFormat, Problem> {
        match pairs(&parts.uri, &["format"])?.first().map(|(_, value)| value.as_str()) {
            None => Ok(IndexFormat::accepted(&parts.headers)),
            Some("html") => Ok(IndexFormat::Html),
            Some("json") => Ok(IndexFormat::Json),
            Some(other) => {
                Err(Problem::bad_query(format!("format is html or json, not '{}'.", shorten(other))))
            }
        }
    }
}

impl<S: Send + Sync> FromRequestParts<S> for PlanLook {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, _: &S) -> Result<PlanLook, Problem> {
        plan_look(&parts.uri)
    }
}

/// The query of `/v1/plan.svg`.
fn plan_look(uri: &Uri) -> Result<PlanLook, Problem> {
    const WIDTH: std::ops::RangeInclusive<f64> = 280.0..=2000.0;
    let mut look = PlanLook::default();
    for (key, value) in pairs(uri, &["theme", "width", "notes"])? {
        match (key.as_str(), value.as_str()) {
            ("theme", "light") => look.theme = Theme::Light,
            ("theme", "dark") => look.theme = Theme::Dark,
            ("theme", other) => {
                return Err(Problem::bad_query(format!(
                    "'{}' is not a theme: it is light or dark; without it the viewer's own counts.",
                    shorten(other)
                )));
            }
            ("notes", "yes") => look.notes = true,
            ("notes", "no") => look.notes = false,
            ("notes", other) => {
                return Err(Problem::bad_query(format!("notes is yes or no, not '{}'.", shorten(other))));
            }
            (_, text) => {
                let width = text.parse().ok().filter(|w| WIDTH.contains(w));
                look.width = width.map(f64::round).ok_or_else(|| {
                    Problem::bad_query(format!("width '{}' is not a number from 280 to 2000.", shorten(text)))
                })?;
            }
        }
    }
    Ok(look)
}

/// The query of `/v1/live`.
pub(crate) fn subscription_filter(uri: &Uri) -> Result<SubscriptionFilter, Problem> {
    let mut filter = SubscriptionFilter {
        position: true,
        delayed: true,
        range: false,
        anchor: true,
        link: true,
        zone: true,
        event: true,
        after: None,
        tag: None,
        zone_name: None,
        spacing: None,
        nonce: None,
    };
    for (key, value) in pairs(uri, &["topics", "tag", "zone", "max_rate_hz", "after", "nonce"])? {
        match key.as_str() {
            "topics" => set_topics(&mut filter, &value)?,
            "tag" => filter.tag = Some(tag(&value)?),
            "zone" => filter.zone_name = Some(value),
            "after" => filter.after = Some(event_number(&value)?),
            "nonce" => filter.nonce = Some(nonce(value)?),
            _ => filter.spacing = Some(spacing(&value)?),
        }
    }
    if filter.after.is_some() && !filter.event {
        let detail =
            "after= gives the events after that number: name event among the topics, or leave after out.";
        return Err(Problem::bad_query(detail.to_owned()));
    }
    Ok(filter)
}

fn event_number(value: &str) -> Result<u64, Problem> {
    value.parse().map_err(|_| {
        Problem::bad_query(format!(
            "after '{}' is not the number of an event: give a whole number, 0 for all that are kept.",
            shorten(value)
        ))
    })
}

/// The query of `/v1/events`.
pub(crate) struct EventsQuery {
    pub(crate) after: Option<u64>,
    pub(crate) limit: usize,
}

impl<S: Send + Sync> FromRequestParts<S> for EventsQuery {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, _: &S) -> Result<EventsQuery, Problem> {
        let mut query = EventsQuery { after: None, limit: 100 };
        for (key, value) in pairs(&parts.uri, &["after", "limit"])? {
            match key.as_str() {
                "after" => query.after = Some(event_number(&value)?),
                _ => query.limit = limit(&value)?,
            }
        }
        Ok(query)
    }
}

fn limit(value: &str) -> Result<usize, Problem> {
    value.parse().ok().filter(|limit| (1..=MAX_EVENTS_PER_ANSWER).contains(limit)).ok_or_else(|| {
        Problem::bad_query(format!(
            "limit '{}' is not a whole number from 1 to {MAX_EVENTS_PER_ANSWER}.",
            shorten(value)
        ))
    })
}

/// The pairs of the query, each key known and there once.
fn pairs(uri: &Uri, known: &[&str]) -> Result<Vec<(String, String)>, Problem> {
    let Query(pairs) = Query::<Vec<(String, String)>>::try_from_uri(uri).map_err(|_| {
        Problem::bad_query("The query cannot be read: write it as name=value, with & between two.".to_owned())
    })?;
    for (i, (key, _)) in pairs.iter().enumerate() {
        if !known.contains(&key.as_str()) {
            let list = if known.is_empty() {
                "it takes none".to_owned()
            } else {
                format!("it takes {}", known.join(", "))
            };
            return Err(Problem::bad_query(format!("This route does not know '{}': {list}.", shorten(key))));
        }
        if pairs[..i].iter().any(|(earlier, _)| earlier == key) {
            return Err(Problem::bad_query(format!("'{key}' is given twice: give it once.")));
        }
    }
    Ok(pairs)
}

fn set_topics(filter: &mut SubscriptionFilter, value: &str) -> Result<(), Problem> {
    *filter = SubscriptionFilter {
        position: false,
        delayed: false,
        anchor: false,
        link: false,
        zone: false,
        event: false,
        ..filter.clone()
    };
    for topic in value.split(',') {
        match topic {
            "position" => filter.position = true,
            "position_delayed" => filter.delayed = true,
            "range" => filter.range = true,
            "anchor" => filter.anchor = true,
            "link" => filter.link = true,
            "zone" => filter.zone = true,
            "event" => filter.event = true,
            other => {
                return Err(Problem::bad_query(format!(
                    "'{}' is not a topic: name one or more of position, position_delayed, range, anchor, link, zone, event, with commas between.",
                    shorten(other)
                )));
            }
        }
    }
    Ok(())
}

fn tag(value: &str) -> Result<TagId, Problem> {
    value.parse().map(TagId).map_err(|_| {
        Problem::bad_query(format!(
            "'{}' is not a tag: give one whole number from 0 to {}.",
            shorten(value),
            u32::MAX
        ))
    })
}

fn spacing(value: &str) -> Result<Duration, Problem> {
    const SPAN: std::ops::RangeInclusive<f64> = 0.01..=1000.0;
    let rate = value.parse::<f64>().ok().filter(|rate| SPAN.contains(rate));
    rate.map(|rate| Duration::from_secs_f64(1.0 / rate)).ok_or_else(|| {
        Problem::bad_query(format!("max_rate_hz '{}' is not a number from 0.01 to 1000.", shorten(value)))
    })
}
