//! The OpenAPI description: what the routes' own annotations leave out.
//!
//! Title, cautions and errors are the same for all. Who may use a route that changes, and how it refuses, is found by its
//! method, so that no route forgets it.

use utoipa::openapi::{
    ContentBuilder, InfoBuilder, OpenApi, PathItem, Ref, RefOr, ResponseBuilder,
    path::Operation,
    security::{HttpAuthScheme, HttpBuilder, SecurityRequirement, SecurityScheme},
};

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

/// The description of these routes as JSON text.
pub(super) fn text(mut api: OpenApi) -> String {
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

/// Adds the key, and to every operation that changes that it wants it.
fn describe_rights(api: &mut OpenApi) {
    let scheme = HttpBuilder::new().scheme(HttpAuthScheme::Bearer).description(Some(
        "The key in the file that /v1/status names in changes.key_file (RFC 6750). Over the Unix socket that it names in \
         changes.socket none is needed.",
    ));
    let components = api.components.get_or_insert_default();
    components.add_security_scheme(KEY_SCHEME, SecurityScheme::Http(scheme.build()));
    api.paths.paths.values_mut().flat_map(changing_operations).for_each(describe_changing);
}

/// The operations of a path that change.
fn changing_operations(item: &mut PathItem) -> impl Iterator<Item = &mut Operation> {
    let PathItem { put, post, delete, patch, .. } = item;
    [put, post, delete, patch].into_iter().flatten()
}

/// All operations of a path.
fn operations(item: &mut PathItem) -> impl Iterator<Item = &mut Operation> {
    let PathItem { get, put, post, delete, patch, .. } = item;
    [get, put, post, delete, patch].into_iter().flatten()
}

/// Name of the key in the description.
const KEY_SCHEME: &str = "key";

fn describe_changing(operation: &mut Operation) {
    operation.security = Some(vec![SecurityRequirement::new(KEY_SCHEME, Vec::<String>::new())]);
    let refusals = [
        ("401", "The key was not sent, or what was sent is not the key (RFC 6750)"),
        ("403", "It came from a page in a browser, or no key is in use"),
        ("429", "Too soon after other changes, or too many wrong keys: Retry-After says when"),
    ];
    for (status, when) in refusals {
        let content = ContentBuilder::new().schema(Some(Ref::from_schema_name("Problem"))).build();
        let response = ResponseBuilder::new().description(when).content("application/problem+json", content);
        operation.responses.responses.insert(status.to_owned(), RefOr::T(response.build()));
    }
}
