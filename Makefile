# Two commands are enough: `make demo` and `make test`. The rest is for daily work; `make help` lists it.

# Where Go's own installer puts it; many shells do not have it in PATH.
export PATH := $(PATH):/usr/local/go/bin

# nomsgpack leaves a codec out of gin that we never use: 6 MB less.
GOTAGS  := -tags nomsgpack
SPEC    := api/openapi.yaml
GEN     := internal/httpapi/gen
STAGE   := scripts/stage.sh
NPM     := tools/node_modules/.installed
GOTOOLS := bin/tools/.built

# ARGS goes to the program that a target runs: make demo ARGS=--listen=127.0.0.1:9000
ARGS      ?=
# TESTFLAGS goes to go test: make test TESTFLAGS='-run Ledger -v'
TESTFLAGS ?=
FUZZTIME  ?= 10s
# The packages whose tests take longest begin first: else one core waits at the end for the last of them.
LONGEST   := ./internal/web ./internal/exchange ./cmd/api ./internal/demo ./internal/httpapi ./internal/assets
# Below which folder `make generate` writes; api/oapi-codegen.yaml names the file.
OUT       ?= .

# The checkers of the API description must not look for updates or report their use.
export REDOCLY_TELEMETRY := off
export REDOCLY_SUPPRESS_UPDATE_NOTICE := true

.DEFAULT_GOAL := help
.PHONY: help demo test build generate lint spec bench faults pictures fuzz clean \
        need-demo need-test gates gofmt vet staticcheck spec-lint spec-client stale

help: ## list the targets
	@awk -F ':.*## ' '/^[a-z]+:.*## /{printf "  make %-10s %s\n", $$1, $$2}' Makefile

demo: need-demo build ## build it and start it with the invented scenario
	bin/spindlebook demo $(ARGS)

test: need-test ## run every gate, then all tests with the race detector
	@$(MAKE) --no-print-directory -k -j2 gates
	@# the gates have vetted everything, by more rules than go test would once more
	CGO_ENABLED=1 go test -race -vet=off -timeout 40m $(GOTAGS) $(TESTFLAGS) $(LONGEST) ./...

build: ## build bin/spindlebook, one static binary
	CGO_ENABLED=0 go build -trimpath $(GOTAGS) -o bin/spindlebook ./cmd/api

generate: $(GOTOOLS) ## write the Go side of the API from api/openapi.yaml
	@mkdir -p $(OUT)/$(GEN)
	cd $(OUT) && $(CURDIR)/bin/tools/oapi-codegen -config $(CURDIR)/api/oapi-codegen.yaml $(CURDIR)/$(SPEC)
	@# Where an operation takes bodies of several types it writes the same field once for each: one is enough.
	@sed -i.bak -e '$$!N' -e '/^\([[:space:]]*Body *io\.Reader\)\n\1$$/!P' -e D $(OUT)/$(GEN)/api_gen.go && rm $(OUT)/$(GEN)/api_gen.go.bak
	@# The generated code hands on gin's own context, which gin gives to the next request while the database may
	@# still look at it: the race detector finds that. The request's context is the one to hand on.
	@sed -i.bak 's/return sh\.ssi\.\([A-Za-z]*\)(ctx, /return sh.ssi.\1(ctx.Request.Context(), /' $(OUT)/$(GEN)/api_gen.go && rm $(OUT)/$(GEN)/api_gen.go.bak

lint: gofmt vet staticcheck ## check the Go code: format, vet, staticcheck

spec: spec-lint spec-client ## check the API description, and that a TypeScript client of it compiles

bench: ## measure against the floors and write BENCHMARKS.md
	go run $(GOTAGS) ./cmd/bench $(ARGS)

faults: ## kill it at random moments and check that nothing was lost
	go run $(GOTAGS) ./cmd/faults $(ARGS)

pictures: ## take the pictures of the pages for docs/
	go run $(GOTAGS) ./cmd/pictures $(ARGS)

fuzz: ## fuzz every parser for a short while (FUZZTIME=10s each)
	@scripts/fuzz.sh $(FUZZTIME) $(GOTAGS)

clean: ## remove what was built or installed here
	rm -rf bin tools/node_modules tools/client-check/api.ts

# ---- the gates of `make test`. Each prints one line; they may run side by side. ----

gates: gofmt vet spec-lint staticcheck spec-client stale

need-demo:
	@scripts/need.sh go postgres

need-test:
	@scripts/need.sh go postgres node chromium gcc git curl certificates

gofmt:
	@$(STAGE) gofmt sh -c 'bad=$$(gofmt -l cmd internal); test -z "$$bad" || { echo "gofmt -w these:"; echo "$$bad"; exit 1; }'

vet:
	@$(STAGE) vet go vet $(GOTAGS) ./...

# Not the generated code: its style is not ours.
staticcheck: $(GOTOOLS)
	@$(STAGE) staticcheck sh -c 'all=$$(go list $(GOTAGS) ./...) && \
		bin/tools/staticcheck $(GOTAGS) $$(echo "$$all" | grep -v "/$(GEN)$$")'

spec-lint: $(NPM)
	@$(STAGE) spec-lint tools/node_modules/.bin/redocly lint --config tools/redocly.yaml --format stylish $(SPEC)

# The client's types are written as .ts, not .d.ts: the compiler then checks them too. A member with a
# default need not be sent.
spec-client: $(NPM)
	@$(STAGE) spec-client sh -c 'tools/node_modules/.bin/openapi-typescript $(SPEC) --default-non-nullable=false -o tools/client-check/api.ts && \
		tools/node_modules/.bin/tsc -p tools/client-check'

# The generated code is committed; this finds out whether it was made from this description.
stale: $(GOTOOLS)
	@$(STAGE) stale sh -c 'new=$$(mktemp -d) && trap "rm -rf $$new" EXIT && \
		$(MAKE) --no-print-directory -s generate OUT=$$new && \
		{ diff -ru $(GEN) $$new/$(GEN) || { echo "Run: make generate"; exit 1; }; }'

# ---- tools: pinned, kept out of the product's go.mod, made again only when their lock changes ----

$(GOTOOLS): tools/go.mod tools/go.sum
	@mkdir -p bin/tools
	@$(STAGE) go-tools go build -C tools -o ../bin/tools/ tool
	@touch $@

$(NPM): tools/package.json tools/package-lock.json
	@$(STAGE) npm-tools npm ci --prefix tools --ignore-scripts --no-audit --no-fund
	@touch $@
