/* For what runs inside an interrupt: there a call costs more than the work. */
#ifndef HOT_H
#define HOT_H

#ifdef __GNUC__
#define HOT static inline __attribute__((always_inline))
#else
#define HOT static inline
#endif

#endif
