package service

import (
	"runtime/debug"
	"sync"
)

// built is what the linker was told that the program is built from, where the
// revision is not at hand: -ldflags "-X drawgear/service.built=REVISION".
var built string

// Engine names the program that answers, as kept with every record: the module
// version, or the revision that it was built from.
var Engine = sync.OnceValue(func() string {
	if built != "" {
		return built
	}
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "unknown"
	}
	version := info.Main.Version
	for _, s := range info.Settings {
		if s.Key == "vcs.revision" && (version == "" || version == "(devel)") {
			version = s.Value
		}
	}
	if version == "" {
		return "unknown"
	}
	return version
})
