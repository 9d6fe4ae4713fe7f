#!/usr/bin/env bash
# Write requirements.lock (what the commands need) and requirements-test.lock (what the tests need besides).
# Needs uv. Hashes are kept, addresses of registries are not.
set -euo pipefail
cd "$(dirname "$0")/.."
uv=${UV:-uv}
compile() {
  "$uv" pip compile --quiet --universal --python-version 3.11 --generate-hashes --no-annotate --no-header \
    --no-emit-index-url --no-emit-find-links "$@"
}
compile pyproject.toml --extra build -o requirements.lock
compile pyproject.toml --extra build --extra test -c requirements.lock -o requirements-test.lock
