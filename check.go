package main

import (
	"fmt"
	"os"

	"drawgear/rules"
	"drawgear/rules/cases"
	"drawgear/rules/law"
	"drawgear/rules/library"
)

func check(path string) error {
	data, err := os.ReadFile(path)
	if err != nil {
		return err
	}
	rs, err := law.Parse(data)
	if err != nil {
		return fmt.Errorf("%s: %w", path, err)
	}
	files, err := library.Files()
	if err != nil {
		return err
	}
	all, cerr := library.Compile(files)
	var list []*law.Ruleset
	for _, x := range all {
		if x.Ruleset != rs.Ruleset || x.Version != rs.Version {
			list = append(list, x)
		}
	}
	if cerr != nil {
		fmt.Println("note: other files of the library do not compile:", cerr)
	}
	book, err := rules.NewBook(append(list, rs))
	if err != nil {
		return err
	}
	rep, err := cases.Verify(book, rs, nil)
	if err != nil {
		return err
	}
	fmt.Printf("%s version %d: %d rules, %d examples, sha256 %s\n", rs.Ruleset, rs.Version, len(rs.Rules), rep.Checks, rs.SHA256)
	for _, f := range rep.Failures {
		fmt.Println("FAIL", f)
	}
	for _, u := range rep.Uncovered {
		fmt.Println("no boundary example:", u)
	}
	if len(rep.Failures) > 0 {
		return fmt.Errorf("%d examples came out otherwise", len(rep.Failures))
	}
	return nil
}
