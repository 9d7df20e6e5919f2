// Package analyze watches how far every series is from its limit. (Design note follows with the detector.)
package analyze
