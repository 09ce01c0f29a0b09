/* The sRGB colour space as an ICC profile (ISO 15076-1), made from the numbers of IEC 61966-2-1, so that the PDF says
 * what its colours mean. */
#ifndef REPORT_ICC_H
#define REPORT_ICC_H

#include <stddef.h>
#include <stdint.h>

#define ICC_SIZE 512
/* Fills buf (zeroed up to ICC_SIZE) and returns the profile's length. */
size_t icc_srgb(uint8_t buf[ICC_SIZE]);

#endif
