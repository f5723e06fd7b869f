//! Style and script of the page, embedded in the program: no build chain, nothing asked from anywhere else.
//!
//! An address carries a mark of what it gives, so a browser keeps it for a year and a new daemon's is a new address.

use std::hash::{DefaultHasher, Hash, Hasher};

use axum::extract::Path;
use axum::http::{HeaderValue, header};
use axum::response::{IntoResponse, Response};

use super::super::api;

const CSS: &str = "text/css; charset=utf-8";
const JS: &str = "text/javascript; charset=utf-8";

/// Name, media type, text.
const ALL: [(&str, &str, &str); 5] = [
    ("page.css", CSS, include_str!("assets/page.css")),
    ("page.js", JS, include_str!("assets/page.js")),
    // uPlot 1.6.32, MIT: its licence is uplot.LICENSE beside it.
    ("uplot.js", JS, include_str!("assets/uplot.js")),
    ("uplot.css", CSS, include_str!("assets/uplot.css")),
    ("mark.svg", "image/svg+xml", include_str!("assets/mark.svg")),
];

/// Where a page finds it.
pub(super) fn address(name: &str) -> String {
    let text = ALL.iter().find(|(known, ..)| *known == name).map_or("", |(_, _, text)| text);
    let mut hasher = DefaultHasher::new();
    text.hash(&mut hasher);
    format!("/assets/{name}?{:08x}", hasher.finish() >> 32)
}

/// One of them.
pub(in super::super) async fn give(Path(name): Path<String>) -> Response {
    let Some((_, media, text)) = ALL.iter().find(|(known, ..)| *known == name) else {
        return api::nothing_there().await;
    };
    let headers = [
        (header::CONTENT_TYPE, HeaderValue::from_static(media)),
        (header::CACHE_CONTROL, HeaderValue::from_static("public, max-age=31536000, immutable")),
    ];
    (headers, *text).into_response()
}
