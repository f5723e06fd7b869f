//! `shared.yaml`: probes that several tanks read, and how kinds of plugs speak.

use super::plug::check_style;
use super::probe::probe;
use super::read::Item;
use super::tank::Common;
use super::topic::Owners;

/// Reads `shared.yaml`, which need not be there.
pub(super) fn shared<'a>(file: Option<&Item<'a>>, root: String) -> Common<'a> {
    let mut common = Common { root, owners: Owners::default(), probes: Vec::new(), styles: Vec::new() };
    let Some(fields) = file.and_then(|file| file.fields(&["probes", "plugs", "supplies"])) else { return common };
    for (name, item) in fields.get("probes").map(|item| item.named()).unwrap_or_default() {
        common.probes.push(probe(&name, &item, &common.root, &common.owners));
    }
    for (name, item) in fields.get("plugs").map(|item| item.named()).unwrap_or_default() {
        check_style(&item);
        common.styles.push((name.to_string(), item));
    }
    common
}
