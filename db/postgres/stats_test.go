package postgres_test

import (
	"testing"

	"github.com/prometheus/client_golang/prometheus"

	"drawgear/db/pgtest"
	"drawgear/db/postgres"
)

// TestMetrics: the pool tells what it has and what it handed out.
func TestMetrics(t *testing.T) {
	st := open(t, postgres.Config{URL: pgtest.New(t), Connections: 3})
	reg := prometheus.NewRegistry()
	reg.MustRegister(st.Metrics())
	if _, err := st.Status(t.Context()); err != nil {
		t.Fatal(err)
	}
	families, err := reg.Gather()
	if err != nil {
		t.Fatal(err)
	}
	got := map[string]float64{}
	for _, f := range families {
		for _, m := range f.GetMetric() {
			got[f.GetName()] += m.GetGauge().GetValue() + m.GetCounter().GetValue() // the other is 0
		}
	}
	for name, want := range map[string]float64{
		"drawgear_db_pool_max_connections": 3, "drawgear_db_pool_connections": 1, "drawgear_db_pool_acquired_total": 1, "drawgear_db_pool_given_up_total": 0,
	} {
		if v, ok := got[name]; !ok || v != want {
			t.Errorf("%s is %v, want %v", name, v, want)
		}
	}
	for _, name := range []string{"drawgear_db_pool_waited_total", "drawgear_db_pool_wait_seconds_total"} {
		if _, ok := got[name]; !ok {
			t.Errorf("there is no %s", name)
		}
	}
}
