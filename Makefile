# Every target says what it does; `make` alone prints this list.
.DEFAULT_GOAL := help
.PHONY: help build demo test short long lint vuln docs verify clean

help: ## print this list
	@awk -F':.*## ' '/^[a-z]+:.*## /{printf "  %-8s %s\n", $$1, $$2}' $(MAKEFILE_LIST)

build: ## build bin/tidegate, no cgo, reproducible
	CGO_ENABLED=0 go build -trimpath -buildvcs=false -o bin/tidegate ./cmd/tidegate

demo: ## play an invented day, then serve its pages
	go run ./cmd/tidegate demo

test: ## everything CI runs, installing what tests need when it is missing
	./test.sh

short: ## the Go tests alone, no browser, no independent peers
	go test ./...

long: ## the long form: more kills, more power cuts, longer fuzzing (about an hour)
	./test.sh long

lint: ## formatting, vet and the linters
	test -z "$$(gofmt -l $$(git ls-files '*.go'))"
	go vet ./...
	go tool -modfile=tools/go.mod staticcheck ./...

vuln: ## known vulnerabilities, where their database can be reached
	go tool -modfile=tools/go.mod govulncheck ./...

docs: ## write generated documents again (checks, configuration schema)
	go test ./validate ./config ./web -run 'Doc|Schema|OpenAPI' -update

verify: ## fail if a generated document is stale
	go test ./validate ./config ./web -run 'Doc|Schema|OpenAPI'

clean: ## remove what builds and tests leave behind
	rm -rf bin out
