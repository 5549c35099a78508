package client

//go:generate go tool -modfile=../../.ci/tools.mod oapi-codegen -config oapi-codegen.yaml ../../openapi/openapi.yaml
