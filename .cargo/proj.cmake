# Read by CMake when PROJ is compiled from source. Four source files at a time share their headers' cost, and -O1
# suffices: the projection of a million points stays well under a second.
set(CMAKE_C_FLAGS_RELEASE "-O1 -DNDEBUG" CACHE STRING "")
set(CMAKE_CXX_FLAGS_RELEASE "-O1 -DNDEBUG" CACHE STRING "")
set(CMAKE_UNITY_BUILD ON CACHE BOOL "")
set(CMAKE_UNITY_BUILD_BATCH_SIZE 4 CACHE STRING "")
