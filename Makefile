# Two commands do everything: `make demo` and `make test`.
# Needs Go, gcc, g++, make and Node with npm; `make test` also needs chromium, mosquitto_pub and pdftotext and installs them on Debian.

GO      ?= go
VERSION ?= $(shell git describe --tags --always --dirty 2>/dev/null || echo dev)
WEB     := dashboards/web
BUNDLE  := $(WEB)/dist/main.js
CHROME  := $(firstword $(wildcard /usr/bin/chromium /usr/bin/chromium-browser /usr/bin/google-chrome))

MQTTPUB := $(firstword $(wildcard /usr/bin/mosquitto_pub))
PDFTEXT := $(firstword $(wildcard /usr/bin/pdftotext))

.PHONY: deb sbom demo build web screens test check bench score fuzz parts crash faults clean

## demo: build, invent a fleet, run its history through the pipeline, print the address to open
demo: build
	./marginline demo

## build: the binary, with the pages' bundle inside
build: web
	$(GO) build -ldflags "-X main.version=$(VERSION)" -o marginline .

web: $(BUNDLE)

$(WEB)/node_modules: $(WEB)/package.json $(WEB)/package-lock.json
	cd $(WEB) && npm ci --ignore-scripts --no-audit --no-fund
	@touch $@

$(BUNDLE): $(WEB)/node_modules $(WEB)/build.mjs $(WEB)/tsconfig.json $(shell find $(WEB)/src -type f 2>/dev/null)
	cd $(WEB) && npm run --silent build

## test: everything, on real parts: embedded broker, Parquet, DuckDB, SQLite, chromium
test: build parts
	cd $(WEB) && npm run --silent check
	$(GO) test -shuffle=on -timeout 30m ./...

## check: formatting, vet, lint, race
check: build parts
	deploy/check.sh

bench:
	$(GO) test -run '^$$' -bench . -benchmem ./...

## screens: pictures of every page into dashboards/docs, of an invented fleet
screens: web parts
	SCREENS=$(CURDIR)/dashboards/docs $(GO) test -count=1 -run '^TestScreens$$' ./dashboards

## score: how early, quiet and honest the detector is, on three hard invented fleets, beside simpler rules
score:
	SCORE=full $(GO) test -count=1 -timeout 60m -v -run '^TestScore$$' ./analyze

## fuzz: every fuzz target for FUZZTIME each
FUZZTIME ?= 30s
fuzz:
	deploy/fuzz.sh $(FUZZTIME)

## outside: other people's programs beside the binary: engines read the lake, Flight SQL clients, an ACME authority
OUTSIDE := deploy/outside
outside: build $(OUTSIDE)/node_modules
	cd $(OUTSIDE) && $(GO) vet ./... && $(GO) test -count=1 ./...

$(OUTSIDE)/node_modules: $(OUTSIDE)/package.json $(OUTSIDE)/package-lock.json
	cd $(OUTSIDE) && npm ci --ignore-scripts --no-audit --no-fund
	@touch $@

## soak: the service under a steady load for SOAK; fails when memory, goroutines, open files or the lake's files and metadata grow
SOAK ?= 1h
RATE ?= 50
soak: build
	$(GO) build -o bin/soak ./deploy/soak
	nice -n 5 bin/soak -for $(SOAK) -rate $(RATE)

## crash: a service under load is killed KILLS times with SIGKILL; nothing may be lost or doubled
KILLS ?= 300
crash:
	TEST_KILLS=$(KILLS) $(GO) test -v -count=1 -timeout 4h -run 'KilledService' .

## faults: every single change to the file system fails, in three ways, or is the last before a power cut
faults:
	TEST_FAULTS=all $(GO) test -count=1 -timeout 4h -run 'PowerCut|FaultAt' ./ingest/lake

## deb: a Debian package of the built binary, its unit, rules and documents
deb: build
	deploy/deb/build.sh $(CURDIR)/marginline $(VERSION)

## sbom: what the binary is made of, as CycloneDX; written to bin/, not committed
sbom:
	cd deploy/tools && $(GO) build -o ../../bin/cyclonedx-gomod github.com/CycloneDX/cyclonedx-gomod/cmd/cyclonedx-gomod
	bin/cyclonedx-gomod mod -licenses -json -output bin/marginline.cdx.json .

# promtool comes out of Debian's package without installing its server, which would start at once
bin/promtool:
	mkdir -p bin/deb && cd bin/deb && apt-get update -qq && apt-get download -qq prometheus && dpkg-deb -x prometheus_*.deb prometheus
	cp bin/deb/prometheus/usr/bin/promtool $@ && rm -r bin/deb

# parts: what the tests need beside Go and Node
parts: bin/promtool
ifeq ($(wildcard /usr/bin/systemd-analyze),)
	apt-get update -qq && DEBIAN_FRONTEND=noninteractive apt-get install -y -qq systemd
endif
ifeq ($(wildcard /usr/bin/lintian),)
	apt-get update -qq && DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends lintian
endif
ifneq ($(and $(CHROME),$(MQTTPUB),$(PDFTEXT)),)
else
	@echo "the tests need a browser (chromium), an MQTT client (mosquitto-clients) and a reader of PDF (poppler-utils); installing Debian's packages"
	apt-get update -qq && DEBIAN_FRONTEND=noninteractive apt-get install -y -qq chromium mosquitto-clients poppler-utils
endif

clean:
	rm -rf marginline $(WEB)/node_modules $(OUTSIDE)/node_modules
	find $(WEB)/dist -type f ! -name .keep -delete
