# drawgear in an image that holds nothing but the program, the roots that it
# trusts for TLS, and the licences and bill of materials of what is in it.
#
#   docker build --build-arg VERSION="$(git rev-parse HEAD)" -t drawgear .
ARG GO_IMAGE=golang:1.26-bookworm
FROM ${GO_IMAGE} AS build
# Where modules come from, if not from where Go looks by default.
ARG GOPROXY
ARG GOSUMDB
ENV CGO_ENABLED=0
WORKDIR /src
COPY go.mod go.sum ./
RUN go mod download
COPY . .
# The same VERSION and Go make the same bytes: no paths, no times, no revision of
# their own.
ARG VERSION=dev
RUN go build -trimpath -buildvcs=false -ldflags="-s -w -X drawgear/service.built=${VERSION}" -o /out/drawgear .
# A licence that asks for more than its text to be handed on stops the build, save
# for that of the queue (MPL-2.0): its source is handed on in /licenses as well.
RUN tool() { go tool -modfile=.ci/tools.mod "$@"; } \
 && tool go-licenses check . --ignore drawgear --allowed_licenses=Apache-2.0,BSD-2-Clause,BSD-3-Clause,ISC,MIT,MPL-2.0,Unlicense \
 && tool go-licenses save . --ignore drawgear --save_path=/out/licenses \
 && mkdir /out/licenses/go && cp "$(go env GOROOT)/LICENSE" /out/licenses/go/LICENSE \
 && tool cyclonedx-gomod bin -json -std -licenses -noserial -notimestamp -version "${VERSION}" -output /out/sbom.cdx.json /out/drawgear

FROM scratch
COPY --from=build /etc/ssl/certs/ca-certificates.crt /etc/ssl/certs/ca-certificates.crt
COPY --from=build /out/licenses /licenses
COPY --from=build /out/sbom.cdx.json /sbom.cdx.json
COPY --from=build /out/drawgear /drawgear
USER 65532:65532
ENV DRAWGEAR_LISTEN=0.0.0.0:8080
EXPOSE 8080
HEALTHCHECK --interval=10s --timeout=5s --start-period=20s --retries=3 CMD ["/drawgear", "health"]
ENTRYPOINT ["/drawgear"]
CMD ["serve"]
