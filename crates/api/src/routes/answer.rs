//! Answers as JSON or text, and what a path names.

use std::fmt::Display;

use axum::{
    extract::{Path, rejection::PathRejection},
    http::{HeaderValue, StatusCode, header},
    response::{IntoResponse, Response},
};
use serde::Serialize;

use crate::v1::{Problem, json};

pub(super) fn path_text(path: Result<Path<String>, PathRejection>) -> Result<String, Problem> {
    path.map(|Path(text)| text).map_err(|_| Problem::bad_request("The path is not UTF-8.".to_owned()))
}

pub(super) fn list(ids: impl Iterator<Item = impl Display>) -> String {
    let ids: Vec<String> = ids.map(|id| id.to_string()).collect();
    if ids.is_empty() { "none".to_owned() } else { ids.join(", ") }
}

pub(super) fn body(body: &impl Serialize) -> Response {
    json_text(json(body))
}

pub(super) fn json_text(text: String) -> Response {
    typed("application/json", text)
}

pub(super) fn typed(content_type: &'static str, text: String) -> Response {
    (StatusCode::OK, [(header::CONTENT_TYPE, HeaderValue::from_static(content_type))], text).into_response()
}
