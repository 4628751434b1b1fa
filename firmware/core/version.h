/* Versions that the hello tells. */
#ifndef KN_VERSION_H
#define KN_VERSION_H

#define KN_PROTOCOL 1

#define KN_VERSION_MAJOR 0
#define KN_VERSION_MINOR 1
#define KN_VERSION_PATCH 0

#endif
