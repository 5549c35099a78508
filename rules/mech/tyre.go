package mech

// loadIndex is the table of FactLoadIndex from index 50, kg per single tyre.
var loadIndex = [...]float64{
	190, 195, 200, 206, 212, 218, 224, 230, 236, 243, // 50
	250, 257, 265, 272, 280, 290, 300, 307, 315, 325, // 60
	335, 345, 355, 365, 375, 387, 400, 412, 425, 437, // 70
	450, 462, 475, 487, 500, 515, 530, 545, 560, 580, // 80
	600, 615, 630, 650, 670, 690, 710, 730, 750, 775, // 90
	800, 825, 850, 875, 900, 925, 950, 975, 1000, 1030, // 100
	1060, 1090, 1120, 1150, 1180, 1215, 1250, 1285, 1320, 1360, // 110
	1400, 1450, 1500, 1550, 1600, 1650, 1700, 1750, 1800, 1850, // 120
	1900, 1950, 2000, 2060, 2120, 2180, 2240, 2300, 2360, 2430, // 130
	2500, 2575, 2650, 2725, 2800, 2900, 3000, 3075, 3150, 3250, // 140
	3350, // 150
}

const lowestIndex = 50

// TyreLoad returns the load in kg of one tyre with a load index from 50 to 150,
// up to the speed of its speed symbol (tyres marked V, W or Y carry less near
// the top of theirs).
//
// Source: FactLoadIndex (five open transcriptions compared; second-hand).
// Errors: *Bad for index.
func TyreLoad(index int) (float64, error) { return tyreLoad("index", index) }

func tyreLoad(arg string, index int) (float64, error) {
	if index < lowestIndex || index >= lowestIndex+len(loadIndex) {
		return 0, &Bad{arg, "must be from 50 to 150"}
	}
	return loadIndex[index-lowestIndex], nil
}

// AxleTyres returns the load in kg that the tyres of one axle carry: two single
// tyres by the first index of the service description, four twin tyres by the
// second, dual.
//
// Source: FactTyreCapacity, FactTwinIndex (UN R30 and R54; memory) on
// FactLoadIndex. Errors: *Bad for tyres (2 or 4 are read), single, dual; the
// index that is not used is not looked at.
func AxleTyres(tyres, single, dual int) (float64, error) {
	arg, index := "single", single
	switch tyres {
	case 2:
	case 4:
		arg, index = "dual", dual
	default:
		return 0, &Bad{"tyres", "must be 2, or 4 for twin wheels"}
	}
	load, err := tyreLoad(arg, index)
	return float64(tyres) * load, err
}

// PMetric returns the load in kg that a passenger (P-metric) tyre rated load kg
// may carry on a trailer in the United States: load/1.10. Tyres marked ST or LT
// keep theirs.
//
// Source: FactPMetric (49 CFR 571.120 S5.1.2; memory). Errors: *Bad for load.
func PMetric(load float64) (float64, error) {
	if err := positive("load", load); err != nil {
		return 0, err
	}
	return load / 1.10, nil
}

var speedSymbols = map[string]float64{
	"B": 50, "C": 60, "D": 65, "E": 70, "F": 80, "G": 90, "J": 100, "K": 110, "L": 120, "M": 130, "N": 140, "P": 150,
	"Q": 160, "R": 170, "S": 180, "T": 190, "U": 200, "H": 210, "V": 240, "W": 270, "Y": 300,
}

var slowSymbols = map[string]float64{"A1": 5, "A2": 10, "A3": 15, "A4": 20, "A5": 25, "A6": 30, "A7": 35, "A8": 40}

// SymbolSpeed returns the speed in km/h of a speed symbol and where it comes
// from; false for what is none, and for Z and ZR, which name no one speed.
//
// Source: FactSpeedSymbols (second-hand) for B to Y, FactSlowSymbols (memory)
// for A1 to A8.
func SymbolSpeed(symbol string) (kmh float64, from Fact, ok bool) {
	if v, ok := speedSymbols[symbol]; ok {
		return v, FactSpeedSymbols, true
	}
	v, ok := slowSymbols[symbol]
	return v, FactSlowSymbols, ok
}
