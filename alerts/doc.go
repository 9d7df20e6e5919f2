// Package alerts turns signals into work. (Design note follows with the book.)
package alerts
