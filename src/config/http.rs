//! `http` in `daemon.yaml`: where the service listens, who may do what there, and by which names it is called.
//!
//! Duty: that nothing reachable from outside this machine is without a token. Secrets stay in their files: only the
//! paths stand here.

use std::net::{IpAddr, SocketAddr};
use std::path::PathBuf;

use crate::control::ids::Name;

use super::read::{Fields, Item};
use super::setup::{HttpSettings, Role, TokenSettings};

pub(super) const KEYS: [&str; 5] = ["listen", "token_file", "tokens", "names", "proxy"];
const ROLES: [(Role, &str); 2] = [(Role::Look, "look"), (Role::Keeper, "keeper")];
/// The name of the token that `token_file` is.
const ONLY: &str = "keeper";

pub(super) fn http(item: &Item, usual: HttpSettings) -> HttpSettings {
    let Some(fields) = item.fields(&KEYS) else { return usual };
    let tokens = tokens(&fields);
    let mut listen = usual.listen;
    if let Some(item) = fields.get("listen")
        && let Some(text) = item.text()
    {
        match text.parse::<SocketAddr>() {
            Ok(address) => listen = address,
            Err(_) => item.wrong(format!(
                "`{text}` is not an address with a port\nwrite such as `127.0.0.1:8480` or `[::1]:8480`"
            )),
        }
        if !listen.ip().is_loopback() && tokens.is_empty() {
            item.wrong(format!(
                "`{listen}` can be reached from outside this machine, and no token guards it\nwrite `token_file: ...` beside it, or `listen: 127.0.0.1:{}`",
                listen.port()
            ));
        }
    }
    let needs_tokens = |item: &Item, why: &str| {
        if tokens.is_empty() {
            item.wrong(format!("{why}, and no token guards it\nwrite `tokens: ...` or `token_file: ...` beside it"));
        }
    };
    let names: Option<Vec<String>> = fields.get("names").map(|item| {
        needs_tokens(&item, "a service that has names is reached from elsewhere");
        item.list().iter().filter_map(host).collect()
    });
    let proxy = fields.get("proxy").and_then(|item| {
        needs_tokens(&item, "behind a proxy the service is reached from elsewhere");
        let text = item.text()?;
        let address = text.parse::<IpAddr>().ok();
        if address.is_none() {
            item.wrong(format!("`{text}` is not an address\nwrite the proxy's own, such as `127.0.0.1`"));
        }
        address
    });
    HttpSettings { listen, tokens, names: names.unwrap_or_default(), proxy }
}

fn tokens(fields: &Fields) -> Vec<TokenSettings> {
    let mut tokens = Vec::new();
    if let Some(file) = fields.get("token_file").and_then(|item| item.text()).map(PathBuf::from) {
        tokens.push(TokenSettings { name: Name::new(ONLY), role: Role::Keeper, file });
    }
    for (name, item) in fields.get("tokens").map(|item| item.named()).unwrap_or_default() {
        if tokens.iter().any(|token| token.name == name) {
            item.wrong(format!("`{ONLY}` is the token of `token_file` already\nchoose another name"));
        }
        let Some(fields) = item.fields(&["role", "file"]) else { continue };
        let role = fields.need("role", "look").and_then(|item| item.word(&ROLES));
        let file = fields.need("file", "/etc/slackwater/token").and_then(|item| item.text()).map(PathBuf::from);
        if let (Some(role), Some(file)) = (role, file) {
            tokens.push(TokenSettings { name, role, file });
        }
    }
    tokens
}

/// A host name, without scheme and port.
fn host(item: &Item) -> Option<String> {
    let text = item.text()?;
    let fits = |c: char| c.is_ascii_alphanumeric() || c == '-' || c == '.';
    if text.is_empty() || text.len() > 253 || !text.chars().all(fits) || text.starts_with('.') {
        item.wrong(format!("`{text}` is not a host name\nwrite it alone, such as `tank.example`"));
        return None;
    }
    Some(text.to_ascii_lowercase())
}
