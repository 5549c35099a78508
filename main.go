// Command drawgear answers what the law requires of a towing rig.
package main

import (
	"context"
	"fmt"
	"os"
)

func main() {
	if err := run(context.Background(), os.Args[1:]); err != nil {
		fmt.Fprintln(os.Stderr, "drawgear:", err)
		os.Exit(1)
	}
}

func run(_ context.Context, args []string) error {
	if len(args) == 2 && args[0] == "check" {
		return check(args[1])
	}
	return fmt.Errorf("usage: drawgear check FILE")
}
