//! What the OpenAPI description says of routes that change: who may, and how they refuse. Found by their methods, so that
//! no route forgets it.

use utoipa::openapi::{
    ContentBuilder, OpenApi, PathItem, Ref, RefOr, ResponseBuilder,
    path::Operation,
    security::{HttpAuthScheme, HttpBuilder, SecurityRequirement, SecurityScheme},
};

/// Adds the key, and to every operation that changes that it wants it.
pub(crate) fn describe_rights(api: &mut OpenApi) {
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
pub(crate) fn operations(item: &mut PathItem) -> impl Iterator<Item = &mut Operation> {
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
