#!/usr/bin/env bash
# Everything that must hold, on a machine where nothing was installed by hand:
#   ./test.sh         what CI runs
#   ./test.sh long    more kills, more power cuts, longer fuzzing
# Installs Debian and npm packages that the tests need when they are missing
# (as root or with sudo); the Go tests start every service themselves.
set -uo pipefail
cd "$(dirname "$0")"
mode="${1:-ci}"
[ "$mode" = long ] && export TIDEGATE_LONG=1
export CGO_ENABLED="${CGO_ENABLED:-1}" # the race detector needs it; the product is built without below
failed=()
began=$SECONDS

step() { # step NAME COMMAND...: runs it, remembers a failure, goes on
  local name="$1" at=$SECONDS
  shift
  printf '\n== %s\n' "$name"
  if "$@"; then printf '== %s: passed in %ds\n' "$name" $((SECONDS - at))
  else
    failed+=("$name")
    printf '== %s: FAILED after %ds\n' "$name" $((SECONDS - at))
  fi
}

as_root() { if [ "$(id -u)" = 0 ]; then "$@"; else sudo "$@"; fi; }

debian() { # debian PACKAGE=FILE...: installs what is missing
  local missing=() pair
  for pair in "$@"; do [ -e "${pair#*=}" ] || missing+=("${pair%%=*}"); done
  [ ${#missing[@]} = 0 ] && return 0
  as_root apt-get update -qq && as_root env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq "${missing[@]}"
}

npm_folders() { git ls-files 'peers/*package-lock.json' | xargs -rn1 dirname; }

install_npm() {
  local dir
  for dir in $(npm_folders); do
    if [ ! -e "$dir/node_modules/.package-lock.json" ] || [ "$dir/package-lock.json" -nt "$dir/node_modules/.package-lock.json" ]; then
      (cd "$dir" && npm ci --ignore-scripts --no-audit --no-fund --loglevel=error) || return 1
    fi
  done
}

formatted() { local out; out=$(gofmt -l $(git ls-files '*.go')); [ -z "$out" ] || { printf 'gofmt would change:\n%s\n' "$out"; return 1; }; }

fuzz_all() { # each target over some new inputs; its kept corpus runs in the plain tests already
  local each="${1}" pkg target
  git grep -lE '^func Fuzz' -- '*_test.go' | while read -r file; do
    pkg="./$(dirname "$file")"
    grep -oE '^func Fuzz[A-Za-z0-9_]+' "$file" | cut -d' ' -f2 | while read -r target; do
      go test "$pkg" -run '^$' -fuzz "^${target}\$" -fuzztime "$each" -parallel 2 >/tmp/tidegate-fuzz.$$ 2>&1 ||
        { cat /tmp/tidegate-fuzz.$$; exit 1; }
      printf '%-60s %s\n' "$pkg $target" "$(grep -oE 'execs: [0-9]+' /tmp/tidegate-fuzz.$$ | tail -1)"
    done || exit 1
  done
}

benchmarks_once() { go test -run '^$' -bench . -benchtime 1x ./... | grep -vE '^(ok|\?|PASS)' ; return "${PIPESTATUS[0]}"; }

demo_once() {
  local bin
  bin="$(mktemp -d)/tidegate" && CGO_ENABLED=0 go build -trimpath -buildvcs=false -o "$bin" ./cmd/tidegate && "$bin" demo --once --json
}

vulnerabilities() { # only where the public database can be reached
  local out
  out=$(go tool -modfile=tools/go.mod govulncheck ./... 2>&1) && { printf '%s\n' "$out" | tail -3; return 0; }
  if printf '%s' "$out" | grep -q 'fetching vulnerabilities'; then printf 'the vulnerability database cannot be reached from here: not checked\n'; return 0; fi
  printf '%s\n' "$out"
  return 1
}

step 'Debian packages' debian chromium=/usr/bin/chromium python3-hl7=/usr/bin/mllp_send strace=/usr/bin/strace
step 'npm packages' install_npm
step 'formatting' formatted
step 'go vet' go vet -tags 'peers browser failpoints' ./...
step 'staticcheck' go tool -modfile=tools/go.mod staticcheck ./...
step 'vulnerabilities' vulnerabilities
step 'fuzzing' fuzz_all "$([ "$mode" = long ] && echo 60s || echo 300x)"
step 'benchmarks, once each' benchmarks_once
step 'demo, once' demo_once
step 'faults: kills, power cuts, every failpoint' go test -tags failpoints -timeout 80m ./testkit/...
step 'independent peers and browser' go test -tags 'peers browser' -timeout 20m ./peers/...
[ "$mode" = long ] && step 'soak: the fleet for half an hour' env TIDEGATE_SOAK=30m go test -run '^TestSoak$' -timeout 50m ./cmd/tidegate
step 'tests with the race detector' go test -race -timeout 30m ./...

printf '\n'
if [ ${#failed[@]} -gt 0 ]; then
  printf 'FAILED: %s\n' "${failed[@]}"
  exit 1
fi
printf 'all steps passed in %d min\n' $(((SECONDS - began + 59) / 60))
