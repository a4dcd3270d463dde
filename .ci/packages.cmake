# Debian packages, by `cpack -G DEB` in a build folder that was configured with -DCMAKE_INSTALL_PREFIX=/usr:
# poise (programs, services, rules, manual), libpoise1, libpoise-dev.  CPack and not a debian/ folder: what is installed
# where stands once, in the CMakeLists.txt beside what is installed.
set(CPACK_GENERATOR DEB)
set(CPACK_PACKAGE_NAME poise)
set(CPACK_PACKAGE_VERSION ${PROJECT_VERSION})
set(CPACK_PACKAGE_CONTACT "Poise <poise@localhost.localdomain>")
set(CPACK_DEBIAN_FILE_NAME DEB-DEFAULT)
set(CPACK_DEB_COMPONENT_INSTALL ON)
set(CPACK_STRIP_FILES ON)
set(CPACK_COMPONENTS_ALL poise library development)
set(CPACK_DEBIAN_PACKAGE_SHLIBDEPS ON)
set(CPACK_DEBIAN_PACKAGE_CONTROL_STRICT_PERMISSION ON)
set(CPACK_DEBIAN_PACKAGE_RELEASE 1)
set(CPACK_DEBIAN_LIBRARY_PACKAGE_NAME libpoise1)
set(CPACK_DEBIAN_DEVELOPMENT_PACKAGE_NAME libpoise-dev)
set(CPACK_DEBIAN_POISE_PACKAGE_NAME poise)
set(CPACK_DEBIAN_POISE_PACKAGE_SECTION science)
set(CPACK_DEBIAN_LIBRARY_PACKAGE_SECTION libs)
set(CPACK_DEBIAN_DEVELOPMENT_PACKAGE_SECTION libdevel)
set(CPACK_DEBIAN_POISE_PACKAGE_DEPENDS "systemd | systemd-standalone-sysusers")
set(CPACK_DEBIAN_POISE_PACKAGE_SUGGESTS "gnuplot-nox, sqlite3")
set(CPACK_DEBIAN_DEVELOPMENT_PACKAGE_DEPENDS "libpoise1 (= ${PROJECT_VERSION}-1), libjansson-dev")
set(CPACK_COMPONENT_POISE_DESCRIPTION "follows coffee brews from scale and refractometer
 A daemon reads generic scales and refractometers over serial and USB, follows
 each brew of a piston-press immersion brewer, and publishes readings and
 events; small clients show what to do next, save every brew, and compare them.")
set(CPACK_COMPONENT_LIBRARY_DESCRIPTION "library of the Poise brewing bench
 Messages, brew arithmetic, uncertainty and statistics that the programs of the
 package poise share.")
set(CPACK_COMPONENT_DEVELOPMENT_DESCRIPTION "library of the Poise brewing bench (development files)
 Headers, static library and pkg-config file.")
set(CPACK_DEBIAN_POISE_PACKAGE_CONTROL_EXTRA "${PROJECT_SOURCE_DIR}/.ci/debian/postinst;${PROJECT_SOURCE_DIR}/.ci/debian/prerm;${PROJECT_SOURCE_DIR}/.ci/debian/postrm;${PROJECT_SOURCE_DIR}/.ci/debian/conffiles")
set(CPACK_DEBIAN_PACKAGE_GENERATE_SHLIBS ON)
set(CPACK_DEBIAN_LIBRARY_PACKAGE_CONTROL_EXTRA "${PROJECT_SOURCE_DIR}/.ci/debian/triggers")
set(CPACK_PRE_BUILD_SCRIPTS ${PROJECT_SOURCE_DIR}/.ci/debian/compress.cmake)
include(CPack)
