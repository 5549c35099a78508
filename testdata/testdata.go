// Package testdata gives tests the boundary cases and demo rigs. It is not
// part of the service.
package testdata

import "embed"

// Cases are files of boundary cases: law, rig, day, expected answer, source.
//
//go:embed cases/*.yaml
var Cases embed.FS
