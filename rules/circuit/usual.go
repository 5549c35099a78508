package circuit

import "strconv"

// Usual is the line of most trailers: battery, controller, a connector at the
// coupling, a trunk along the trailer and at each braked axle one magnet at
// once and the other across the axle.
type Usual struct {
	Volts       float64       `json:"volts"`
	Axles       int           `json:"axles"`                  // braked, two magnets each
	MagnetOhms  float64       `json:"magnet_ohm"`             // of one, cold
	Supply      *Leg          `json:"supply,omitempty"`       // battery to controller
	Vehicle     Leg           `json:"vehicle"`                // controller to connector
	VehicleBack *Leg          `json:"vehicle_back,omitempty"` // connector to battery negative; as Vehicle if left out
	Connector   float64       `json:"connector_ohm"`          // of one pin and socket
	Trunk       Leg           `json:"trunk"`                  // connector to the first braked axle
	TrunkBack   *Leg          `json:"trunk_back,omitempty"`   // as Trunk if left out
	Spacing     float64       `json:"spacing_m"`              // between braked axles, in the conductors of the trunk
	Across      Leg           `json:"across"`                 // from one magnet to the other of an axle, out and back
	At          *Temperatures `json:"temperatures,omitempty"`
}

// mostAxles is far beyond any trailer with magnets.
const mostAxles = 10

// Circuit lays the line out. The runs are named vehicle, trunk or axle n, and
// across n; the loads axle n near and axle n far.
func (u Usual) Circuit() (Circuit, error) {
	if u.Axles < 1 || u.Axles > mostAxles {
		return Circuit{}, &Bad{"/axles", "must be from 1 to " + strconv.Itoa(mostAxles) + ", not " + strconv.Itoa(u.Axles)}
	}
	if err := within("/spacing_m", u.Spacing, 0, mostLength, "m"); err != nil {
		return Circuit{}, err
	}
	if err := within("/connector_ohm", u.Connector, 0, mostOhms, "ohm"); err != nil {
		return Circuit{}, err
	}
	orSame := func(l *Leg, same Leg) Leg {
		if l != nil {
			return *l
		}
		return same
	}
	line := Run{Name: "vehicle", Feed: u.Vehicle, Return: orSame(u.VehicleBack, u.Vehicle)}
	line.Feed.Connections += u.Connector
	line.Return.Connections += u.Connector
	trunk, back := u.Trunk, orSame(u.TrunkBack, u.Trunk)
	var axles []Run
	for n := range u.Axles {
		id := strconv.Itoa(n + 1)
		r := Run{
			Name: "axle " + id, Feed: trunk, Return: back,
			Loads: []Load{{Name: "axle " + id + " near", Ohms: u.MagnetOhms}},
			Next:  []Run{{Name: "across " + id, Feed: u.Across, Return: u.Across, Loads: []Load{{Name: "axle " + id + " far", Ohms: u.MagnetOhms}}}},
		}
		if n == 0 {
			r.Name = "trunk"
			// Beyond the first axle the trunk has no joints of its own known.
			trunk.Connections, back.Connections = 0, 0
			trunk.Length, back.Length = u.Spacing, u.Spacing
		}
		axles = append(axles, r)
	}
	for n := u.Axles - 1; n > 0; n-- {
		axles[n-1].Next = append(axles[n-1].Next, axles[n])
	}
	line.Next = axles[:1]
	return Circuit{Volts: u.Volts, Supply: u.Supply, Line: line, Temperatures: u.At}, nil
}
