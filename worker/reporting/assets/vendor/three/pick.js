// What the viewer uses of three.js; build.sh bundles exactly this.
export { WebGLRenderer, Scene, OrthographicCamera, BufferGeometry, BufferAttribute, Mesh, LineSegments, ShaderMaterial, Raycaster, Vector2, Vector3, Vector4, Quaternion, Matrix4, Color, DoubleSide, Sphere } from 'three';
