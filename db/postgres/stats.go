package postgres

import (
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/prometheus/client_golang/prometheus"
)

// Metrics tells of the pool of connections whenever it is collected.
func (s *Store) Metrics() prometheus.Collector { return poolMetrics{s.pool.Stat} }

type poolMetrics struct{ now func() *pgxpool.Stat }

var (
	poolConnections = prometheus.NewDesc("drawgear_db_pool_connections", "Connections to the database, by state: idle, acquired or constructing.", []string{"state"}, nil)
	poolMax         = prometheus.NewDesc("drawgear_db_pool_max_connections", "Connections that there may be.", nil, nil)
	poolAcquired    = prometheus.NewDesc("drawgear_db_pool_acquired_total", "Connections handed out.", nil, nil)
	poolWaited      = prometheus.NewDesc("drawgear_db_pool_waited_total", "Connections that had to be waited for.", nil, nil)
	poolWaitTime    = prometheus.NewDesc("drawgear_db_pool_wait_seconds_total", "Time that was waited for connections.", nil, nil)
	poolGivenUp     = prometheus.NewDesc("drawgear_db_pool_given_up_total", "Waits for a connection that were given up.", nil, nil)
)

// Describe names the metrics.
func (poolMetrics) Describe(out chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{poolConnections, poolMax, poolAcquired, poolWaited, poolWaitTime, poolGivenUp} {
		out <- d
	}
}

// Collect takes them all from one look at the pool.
func (p poolMetrics) Collect(out chan<- prometheus.Metric) {
	now := p.now()
	gauge := func(d *prometheus.Desc, v float64, labels ...string) {
		out <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, labels...)
	}
	count := func(d *prometheus.Desc, v float64) {
		out <- prometheus.MustNewConstMetric(d, prometheus.CounterValue, v)
	}
	gauge(poolConnections, float64(now.IdleConns()), "idle")
	gauge(poolConnections, float64(now.AcquiredConns()), "acquired")
	gauge(poolConnections, float64(now.ConstructingConns()), "constructing")
	gauge(poolMax, float64(now.MaxConns()))
	count(poolAcquired, float64(now.AcquireCount()))
	count(poolWaited, float64(now.EmptyAcquireCount()))
	count(poolWaitTime, now.EmptyAcquireWaitTime().Seconds())
	count(poolGivenUp, float64(now.CanceledAcquireCount()))
}
