#!/usr/bin/env bash
# Builds the Debian package: target/debian/slackwater_*.deb. Needs a C compiler, and once: cargo install --locked cargo-deb
# PROFILE=dev packs a binary without optimisation, to look at the package itself.
set -euo pipefail
cd "$(dirname "$0")/.."
command -v cargo-deb >/dev/null || { echo "first: cargo install --locked cargo-deb" >&2; exit 1; }
profile=${PROFILE:-release}
cargo build --profile "$profile" --locked
binary=target/$([[ $profile == dev ]] && echo debug || echo "$profile")/slackwater
rm -rf target/package
for what in man completions; do
    "$binary" generate "$what" "target/package/$what"
done
gzip -9n target/package/man/*
cargo deb --no-build --locked --profile "$profile" "$@"
