package client_test

import (
	"context"
	"errors"
	"fmt"
	"log"
	"net/http/httptest"
	"slices"
	"time"

	"drawgear/api"
	"drawgear/api/client"
	"drawgear/db/memory"
	"drawgear/rules/library"
	"drawgear/service"
)

// A partner's test runs the service within itself: with a fixed clock and counted
// ids, every run sees the same.
func Example() {
	book, err := library.Book()
	if err != nil {
		log.Fatal(err)
	}
	noon := func() time.Time { return time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC) }
	answers := service.New(book, memory.New(0), noon).WithIDs(service.CountedIDs())
	srv := httptest.NewServer(api.New(api.Config{Service: answers}))
	defer srv.Close()

	c, err := client.New(srv.URL, client.Options{})
	if err != nil {
		log.Fatal(err)
	}
	rig := client.Rig{Jurisdiction: "AU-NSW"}
	reply, err := c.CreateAssessmentWithResponse(context.Background(), nil, rig)
	if err != nil {
		log.Fatal(err)
	}
	kept := reply.JSON201
	fmt.Println(*kept.ID, kept.CreatedAt.Format(time.RFC3339), kept.Answer.Verdict)
	asked := slices.ContainsFunc(kept.Answer.Missing, func(m client.Missing) bool { return m.Pointer == "/trailer/rated/axles" })
	fmt.Println("asks for the GTM:", asked)

	_, err = c.CreateAssessmentWithResponse(context.Background(), nil, client.Rig{Jurisdiction: "AQ"})
	if errors.Is(err, client.ProblemUnknownJurisdiction) {
		fmt.Println(err)
	}
	// Output:
	// AAAAAAAAAAAAAAAAAAAAAAAAAE 2026-11-25T12:00:00Z undetermined
	// asks for the GTM: true
	// 422 No law of this place is held: No ruleset is held for AQ: See /v1/jurisdictions for the places that are. That a place is not held does not mean that it has no rules
}
