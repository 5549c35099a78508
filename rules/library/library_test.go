package library

import "testing"

func TestCompile(t *testing.T) {
	fs, err := Files()
	if err != nil {
		t.Fatal(err)
	}
	if _, err := Compile(fs); err != nil {
		t.Error(err)
	}
}
