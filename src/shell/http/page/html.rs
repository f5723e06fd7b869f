//! HTML as text: what is escaped, and the frame that every page has.
//!
//! Whatever is not written here as markup goes through [`E`]. No script and no style stands in a page: the policy of
//! `dress` would not let it run.

use std::fmt::{self, Display, Write as _};

use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};

use super::assets;
pub(super) use crate::control::sentence::{capital, plain};

/// A text that means nothing but itself, between tags and in quoted attributes.
pub(super) struct E<T>(pub(super) T);

impl<T: Display> Display for E<T> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(Escaping(f), "{}", self.0)
    }
}

struct Escaping<'a, 'b>(&'a mut fmt::Formatter<'b>);

impl fmt::Write for Escaping<'_, '_> {
    fn write_str(&mut self, text: &str) -> fmt::Result {
        let mut rest = text;
        while let Some(at) = rest.find(['&', '<', '>', '"', '\'']) {
            self.0.write_str(&rest[..at])?;
            self.0.write_str(match rest.as_bytes()[at] {
                b'&' => "&amp;",
                b'<' => "&lt;",
                b'>' => "&gt;",
                b'"' => "&quot;",
                _ => "&#39;",
            })?;
            rest = &rest[at + 1..];
        }
        self.0.write_str(rest)
    }
}

/// A part of an address: every byte that could end it is written as its number. [RFC 3986, 2.1]
pub(super) struct Name<'a>(pub(super) &'a str);

impl Display for Name<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for byte in self.0.bytes() {
            if byte.is_ascii_alphanumeric() || b"-._~".contains(&byte) {
                f.write_char(char::from(byte))?;
            } else {
                write!(f, "%{byte:02X}")?;
            }
        }
        Ok(())
    }
}

/// A name as a person says it: `water-change` is `Water change`.
pub(super) fn said(name: &str) -> String {
    capital(&plain(name))
}

/// A whole page.
pub(super) struct Frame<'a> {
    /// The window's title.
    pub(super) title: &'a str,
    /// Lines of the head besides.
    pub(super) head: &'a str,
    /// What stands above the page: where one is, and who one is.
    pub(super) top: &'a str,
    /// The page.
    pub(super) body: &'a str,
}

impl Frame<'_> {
    /// As an answer.
    pub(super) fn answer(&self, code: StatusCode) -> Response {
        let (style, script) = (assets::address("page.css"), assets::address("page.js"));
        let mut html = String::with_capacity(self.body.len() + 1024);
        let _ = write!(
            html,
            "<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n<title>{title}</title>\n\
             <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
             <meta name=\"color-scheme\" content=\"light dark\">\n<meta name=\"robots\" content=\"noindex\">\n\
             <link rel=\"stylesheet\" href=\"{style}\">\n<link rel=\"icon\" href=\"{icon}\" type=\"image/svg+xml\">\n\
             <script src=\"{script}\" defer></script>\n{head}</head>\n<body>\n\
             <a class=\"skip\" href=\"#main\">To the page</a>\n<div id=\"lost\" role=\"alert\" hidden></div>\n\
             <header class=\"top\">{top}</header>\n<main id=\"main\">\n{body}</main>\n</body>\n</html>\n",
            title = E(self.title),
            icon = assets::address("mark.svg"),
            head = self.head,
            top = self.top,
            body = self.body,
        );
        answer(code, html)
    }
}

/// HTML that is kept nowhere, whose forms may say where they come from.
pub(super) fn answer(code: StatusCode, html: String) -> Response {
    let mut response = (code, html).into_response();
    let headers = response.headers_mut();
    headers.insert(header::CONTENT_TYPE, HeaderValue::from_static("text/html; charset=utf-8"));
    headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
    // With `no-referrer` a browser says `Origin: null` for a form, and the guard wants to know it. [Fetch, 3.2]
    headers.insert(header::REFERRER_POLICY, HeaderValue::from_static("same-origin"));
    response
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_text_is_markup_and_no_name_ends_an_address() {
        assert_eq!(E("<b a='1' b=\"2\">&°").to_string(), "&lt;b a=&#39;1&#39; b=&quot;2&quot;&gt;&amp;°");
        assert_eq!(Name("a/b?c#ü \"").to_string(), "a%2Fb%3Fc%23%C3%BC%20%22");
        assert_eq!(
            (said("water-change"), plain("water-change")),
            ("Water change".to_owned(), "water change".to_owned())
        );
    }
}
